//! `docs/families.md` lists the bundled families and what they draw as the program has
//! them. `SWAYMARK_WRITE_DOCS=1` writes it anew.

use host_sim::synth::Family;

const PATH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/families.md");

fn replaced(text: &str, part: &str, with: &str) -> String {
    let (begin, end) = (format!("<!-- begin: {part} -->\n"), format!("<!-- end: {part} -->"));
    let from = text.find(&begin).expect("a mark where it begins") + begin.len();
    let to = text.find(&end).expect("a mark where it ends");
    format!("{}{with}{}", &text[..from], &text[to..])
}

#[test]
fn families_are_as_the_program_has_them() {
    let text = std::fs::read_to_string(PATH).expect("docs/families.md");
    let mut list = String::from("\n| family | what it is about |\n| --- | --- |\n");
    for family in Family::names().filter_map(Family::bundled) {
        list += &format!("| `{}` | {} |\n", family.name, family.summary);
    }
    let common = Family::bundled("common").expect("bundled");
    let want = replaced(&text, "families", &format!("{list}\n"));
    let want = replaced(&want, "common", &format!("\n{}\n", common.table()));
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        std::fs::write(PATH, &want).expect("written");
        return;
    }
    assert!(
        text == want,
        "docs/families.md is stale; run SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test families_doc"
    );
}

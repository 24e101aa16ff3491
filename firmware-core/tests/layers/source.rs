//! The core's sources, and what each file of them imports.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A file of the core.
pub struct Source {
    /// Name from `src` on, as `signal/rate.rs`.
    pub file: String,
    /// All of its lines.
    pub lines: usize,
    /// Its code: no comments, no contents of strings, no test modules.
    pub code: String,
}

impl Source {
    /// From its name and text.
    pub fn new(file: &str, text: &str) -> Self {
        let code = without_tests(&without_comments(text));
        Source { file: file.to_owned(), lines: text.lines().count(), code }
    }

    /// Lines that hold code.
    pub fn code_lines(&self) -> usize {
        self.code.lines().filter(|line| !line.trim().is_empty()).count()
    }

    /// A `mod.rs` or `lib.rs` is a list: it declares modules and re-exports what they hold.
    /// Its re-exports are no imports; who imports by way of it imports the file behind it.
    pub fn is_list(&self) -> bool {
        self.file == "lib.rs" || self.file.ends_with("mod.rs")
    }
}

/// All files below `src`, in order.
pub fn sources(src: &Path) -> Vec<Source> {
    let mut all = Vec::new();
    let mut folders = vec![src.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                let name = path.strip_prefix(src).unwrap();
                let parts: Vec<_> = name.iter().map(|p| p.to_str().unwrap()).collect();
                all.push(Source::new(&parts.join("/"), &text));
            }
        }
    }
    all.sort_by(|a, b| a.file.cmp(&b.file));
    all
}

/// The text with comments and the contents of strings taken out, line by line.
fn without_comments(text: &str) -> String {
    let all: Vec<char> = text.chars().collect();
    let next = |i: usize| all.get(i + 1).copied().unwrap_or('\n');
    let (mut out, mut i) = (String::new(), 0);
    while i < all.len() {
        match (all[i], next(i)) {
            ('/', '/') => i += all[i..].iter().take_while(|c| **c != '\n').count(),
            ('/', '*') => panic!("block comments are not read here"),
            ('"', _) => {
                i += 1;
                while all[i] != '"' {
                    i += if all[i] == '\\' { 2 } else { 1 };
                }
                out.push_str("\"\"");
                i += 1;
            }
            // A character, not a lifetime.
            ('\'', '\\') => i += 3 + all[i + 3..].iter().take_while(|c| **c != '\'').count(),
            ('\'', _) if all.get(i + 2) == Some(&'\'') => i += 3,
            (c, _) => {
                out.push(c);
                i += 1;
            }
        }
    }
    out
}

/// The code without what stands behind `#[cfg(test)]`: a module in braces.
fn without_tests(code: &str) -> String {
    let Some((before, rest)) = code.split_once("#[cfg(test)]\nmod tests {") else {
        assert!(!code.contains("cfg(test)]\n"), "a test module of another shape");
        return code.to_owned();
    };
    let mut open = 1;
    let end = rest.find(|c| {
        open += match c {
            '{' => 1,
            '}' => -1,
            _ => 0,
        };
        open == 0
    });
    let after = rest.get(end.unwrap() + 1..).unwrap();
    format!("{before}{}", without_tests(after))
}

/// Names, `::` and single signs.
fn tokens(code: &str) -> Vec<String> {
    let mut all = Vec::new();
    let mut rest = code;
    while let Some(first) = rest.chars().next() {
        let name = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
        let len = match first {
            _ if name > 0 => name,
            ':' if rest.starts_with("::") => 2,
            _ => first.len_utf8(),
        };
        if !first.is_whitespace() {
            all.push(rest[..len].to_owned());
        }
        rest = &rest[len..];
    }
    all
}

/// Paths of a `use` from its token `at` on, behind `before`; gives where it ends.
fn use_tree(
    tokens: &[String],
    mut at: usize,
    before: &[String],
    to: &mut Vec<Vec<String>>,
) -> usize {
    let mut path = before.to_vec();
    loop {
        match tokens[at].as_str() {
            "::" => {}
            "{" => {
                at += 1;
                while tokens[at] != "}" {
                    at = use_tree(tokens, at, &path, to);
                    at += usize::from(tokens[at] == ",");
                }
                return at + 1;
            }
            "as" => at += 1,
            "," | "}" | ";" => {
                to.push(path);
                return at;
            }
            // The module itself, in braces.
            "self" if !path.is_empty() => {}
            name => path.push(name.to_owned()),
        }
        at += 1;
    }
}

/// Paths that a file's code names: those of every `use`, and those that begin with `crate` or
/// `super` elsewhere.
fn paths(code: &str) -> Vec<Vec<String>> {
    let tokens = tokens(code);
    let (mut all, mut at) = (Vec::new(), 0);
    while at < tokens.len() {
        let next = tokens.get(at + 1).map_or("", String::as_str);
        match tokens[at].as_str() {
            // Who may see it.
            "pub" if next == "(" => {
                at += tokens[at..].iter().position(|token| token == ")").unwrap();
            }
            // `use<'a>` is a bound.
            "use" if next != "<" => at = use_tree(&tokens, at + 1, &[], &mut all),
            "crate" | "super" if next == "::" => {
                let mut path = vec![tokens[at].clone()];
                while tokens[at + 1] == "::"
                    && tokens[at + 2].chars().all(|c| c == '_' || c.is_alphanumeric())
                {
                    path.push(tokens[at + 2].clone());
                    at += 2;
                }
                all.push(path);
            }
            _ => {}
        }
        at += 1;
    }
    all
}

/// Module of a file: `signal::rate` of `signal/rate.rs`, `signal` of `signal/mod.rs`; none for
/// `lib.rs`.
pub fn module_of(file: &str) -> String {
    let name = file.trim_end_matches(".rs");
    let name = if name == "lib" { "" } else { name.trim_end_matches("mod") };
    name.trim_end_matches('/').replace('/', "::")
}

/// What every file imports, by module; lists are not among them.
pub struct Imports {
    /// Files, each with those it imports.
    pub of: BTreeMap<String, BTreeSet<String>>,
    /// Names that no file holds, and what stands in a list that should not.
    pub faults: Vec<String>,
}

/// Reads the imports of all files.
pub fn imports(sources: &[Source]) -> Imports {
    let reader = Reader { modules: sources.iter().map(|s| (module_of(&s.file), s)).collect() };
    let (mut of, mut faults) = (BTreeMap::new(), Vec::new());
    for (module, source) in &reader.modules {
        if source.is_list() {
            if let Some(odd) = oddity(&source.code) {
                faults.push(format!("{} holds more than declarations: {odd}", source.file));
            }
            continue;
        }
        let mut found = BTreeSet::new();
        for path in paths(&source.code) {
            match reader.files(module, &path) {
                Some(files) => found.extend(files),
                None => faults.push(format!("{}: nothing at {}", source.file, path.join("::"))),
            }
        }
        found.remove(module);
        of.insert(module.clone(), found);
    }
    Imports { of, faults }
}

/// What stands in a list beside declarations of modules, names of crates and re-exports.
fn oddity(code: &str) -> Option<String> {
    let all = tokens(code);
    let mut parts = all.split(|token| token == ";");
    let odd = parts.find(|part| {
        let mut rest = *part;
        while let Some(first) = rest.first() {
            // Attributes, and who may see it.
            let end = match first.as_str() {
                "#" => "]",
                "pub" if rest.get(1).is_some_and(|token| token == "(") => ")",
                "pub" => "pub",
                _ => break,
            };
            rest = &rest[rest.iter().position(|token| token == end).unwrap() + 1..];
        }
        match rest {
            [] => false,
            [word, ..] if word == "use" || word == "extern" => false,
            [word, _] => word != "mod",
            _ => true,
        }
    });
    odd.map(|part| part.join(" "))
}

struct Reader<'a> {
    modules: BTreeMap<String, &'a Source>,
}

impl Reader<'_> {
    /// Modules of the files that a path leads to from `module`; none for another crate's, `None`
    /// where it leads nowhere.
    fn files(&self, module: &str, path: &[String]) -> Option<Vec<String>> {
        let (mut at, mut rest) = match path[0].as_str() {
            "crate" => (String::new(), &path[1..]),
            "super" => (parent(module), &path[1..]),
            "self" => (module.to_owned(), &path[1..]),
            first if self.modules.contains_key(&join(module, first)) => (module.to_owned(), path),
            _ => return Some(Vec::new()),
        };
        while rest.first().is_some_and(|name| name == "super") {
            (at, rest) = (parent(&at), &rest[1..]);
        }
        while let Some(name) = rest.first() {
            if !self.modules.contains_key(&join(&at, name)) {
                break;
            }
            (at, rest) = (join(&at, name), &rest[1..]);
        }
        if !self.modules.get(&at)?.is_list() {
            return Some(vec![at]);
        }
        let Some(name) = rest.first() else {
            // The list itself: all that it lists.
            let below = format!("{at}::");
            let leaf = |(m, s): (&String, &&Source)| {
                (m.starts_with(&below) && !s.is_list()).then(|| m.clone())
            };
            return Some(self.modules.iter().filter_map(leaf).collect());
        };
        let found: Vec<String> = paths(&self.modules[&at].code)
            .iter()
            .filter(|path| path.last() == Some(name) && path.len() > 1)
            .filter_map(|path| self.files(&at, path))
            .flatten()
            .collect();
        (!found.is_empty()).then_some(found)
    }
}

fn join(module: &str, name: &str) -> String {
    if module.is_empty() { name.to_owned() } else { format!("{module}::{name}") }
}

fn parent(module: &str) -> String {
    module.rsplit_once("::").map_or(String::new(), |(parent, _)| parent.to_owned())
}

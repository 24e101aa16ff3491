//! From event to event comes to what steps of a millisecond come to, on ten random
//! tags. How much faster it is: `cargo bench -p swaymark-tests --bench energy_cost`.

use host_sim::energy::{Battery, Limit, Plan, Rules, run};
use host_sim::tag_file::TagFile;
use swaymark_tests::brute_force::RandomTag;

/// Within 0.1 %, or within `part`.
fn close(a: f64, b: f64, part: f64) -> bool {
    (a - b).abs() <= (1e-3 * a.abs().max(b.abs())).max(part)
}

fn word(limit: Limit) -> &'static str {
    match limit {
        Limit::Ceiling => "ceiling",
        Limit::Memory => "memory",
        Limit::Reserve => "reserve",
        Limit::BrownOut => "brown_out",
        Limit::CutOff => "cut_off",
        Limit::Empty => "empty",
        Limit::Horizon => "never",
    }
}

#[test]
fn agrees_with_steps_of_a_millisecond_on_ten_random_tags() {
    let mut ends = Vec::new();
    std::thread::scope(|scope| {
        let all: Vec<_> = (0..10_u64)
            .map(|seed| {
                scope.spawn(move || {
                    let random = RandomTag::new(seed);
                    let slow = random.run();
                    let tag = TagFile::parse("random.toml", random.toml().as_bytes())
                        .unwrap_or_else(|p| panic!("{}", p.render(false)));
                    let (battery, plan) = (Battery::new(&tag), Plan::new(&tag, None));
                    let fast = run(&battery, &plan, Rules { bounded: true });
                    let told = format!("seed {seed}\n{slow:?}\n{fast:?}");
                    assert_eq!(word(fast.animal_limit), slow.animal_end, "{told}");
                    assert!(close(fast.animal_s, slow.animal_s, 0.0), "{told}");
                    assert_eq!(fast.firing.as_ref().is_some_and(|f| f.fired), slow.fired, "{told}");
                    let mah: Vec<f64> = fast.drawn_mah.iter().map(|d| d.iter().sum()).collect();
                    assert!(close(mah[1], slow.animal_mah, 0.0), "{told}");
                    if slow.fired {
                        assert_eq!(word(fast.search_limit), slow.search_end, "{told}");
                        assert!(close(fast.search_s, slow.search_s, 0.0), "{told}");
                        // One counts the whole of the last pulse, the other up to the reset.
                        assert!(close(mah[2], slow.search_mah, random.pulse_mah()), "{told}");
                    }
                    (slow.animal_end, slow.search_end)
                })
            })
            .collect();
        ends.extend(all.into_iter().map(|t| t.join().expect("a tag agrees")));
    });
    // The ten are of different kinds.
    for kind in ["ceiling", "reserve"] {
        assert!(ends.iter().any(|e| e.0 == kind), "{ends:?}");
    }
    assert!(ends.iter().filter(|e| e.1 == "brown_out").count() >= 3, "{ends:?}");
}

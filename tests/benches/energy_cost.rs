//! What going from event to event saves: `cargo bench -p swaymark-tests --bench energy_cost`.
//!
//! Runs ten random tags by steps of a millisecond and from event to event, and prints
//! both times and their ratio, from one run.

use std::hint::black_box;
use std::time::Instant;

use host_sim::energy::{Battery, Plan, Rules, run};
use host_sim::tag_file::TagFile;
use swaymark_tests::brute_force::RandomTag;

fn main() {
    println!(
        "{:>4} {:>14} {:>12} {:>12} {:>10}",
        "tag", "steps of 1 ms", "steps, s", "events, s", "ratio"
    );
    let mut least = f64::INFINITY;
    for seed in 0..10_u64 {
        let random = RandomTag::new(seed);
        let tag = TagFile::parse("random.toml", random.toml().as_bytes()).expect("a tag");
        let start = Instant::now();
        let slow = black_box(random.run());
        let slow_s = start.elapsed().as_secs_f64();
        let times = 200;
        let start = Instant::now();
        for _ in 0..times {
            let (battery, plan) = (Battery::new(&tag), Plan::new(&tag, None));
            black_box(run(&battery, &plan, Rules { bounded: true }));
        }
        let fast_s = start.elapsed().as_secs_f64() / f64::from(times);
        least = least.min(slow_s / fast_s);
        println!(
            "{seed:>4} {:>14} {slow_s:>12.3} {fast_s:>12.6} {:>10.0}",
            slow.steps,
            slow_s / fast_s
        );
    }
    println!("least ratio {least:.0}; at least 1000 is wanted");
}

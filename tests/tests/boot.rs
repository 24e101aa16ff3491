//! What a tag that starts up finds in its flash, and that no cut of power makes it format a
//! deployment, or take an ended one for one under way.

use firmware_core::store::boot::{Boot, boot};
use firmware_core::store::log::Log;
use firmware_core::store::record::{EndEvent, Record};
use host_sim::flash::NorSim;
use swaymark_tests::course;

type Flash = NorSim<4, 1024>;
const BLOCKS: usize = 12;

fn open(flash: Flash) -> Log<Flash> {
    Log::open(flash, 0, (BLOCKS * 1024) as u32).expect("a log")
}

/// The flash after power was gone and is back, and what a boot makes of it.
fn again(log: Log<Flash>) -> (Log<Flash>, Boot) {
    let mut flash = log.close();
    flash.power_on();
    let mut log = open(flash);
    let found = boot(&mut log);
    (log, found)
}

/// A log with a deployment in it, over several segments.
fn recorded() -> Log<Flash> {
    let mut log = open(Flash::new(BLOCKS, 3));
    assert_eq!(boot(&mut log), Boot::Blank);
    for n in 0..120 {
        course::append(&mut log, &course::record(n)).expect("room");
    }
    log
}

const END: Record = Record::End(EndEvent { t_us: 9_000_000, reason: 1 });

#[test]
fn a_deployment_is_under_way_until_its_end_is_recorded() {
    let (mut log, found) = again(recorded());
    assert_eq!(found, Boot::UnderWay);
    course::append(&mut log, &END).expect("room");
    let (mut log, found) = again(log);
    assert_eq!(found, Boot::Ended);
    // Another begins without the log being formatted.
    course::append(&mut log, &course::record(0)).expect("room");
    assert_eq!(again(log).1, Boot::UnderWay);
}

#[test]
fn a_log_that_cannot_be_read_is_under_way() {
    let mut flash = recorded().close();
    for segment in 0..BLOCKS {
        // Both copies of the header.
        (0..64 * 8).step_by(5).for_each(|bit| flash.flip(segment * 8192 + bit));
    }
    assert_eq!(boot(&mut open(flash)), Boot::UnderWay);
}

#[test]
fn a_cut_in_any_operation_of_the_first_record_leaves_a_log_that_may_be_formatted_or_goes_on() {
    for n in 0..40 {
        let mut flash = Flash::new(BLOCKS, n);
        flash.cut_after(n);
        let mut log = open(flash);
        let kept = course::append(&mut log, &course::record(0)).is_ok();
        let (_, found) = again(log);
        // What was acknowledged is never formatted.
        assert!(!kept || found == Boot::UnderWay, "{n}: {found:?}");
    }
}

#[test]
fn a_cut_in_any_operation_of_formatting_leaves_it_to_be_done_again() {
    let mut ended = recorded();
    course::append(&mut ended, &END).expect("room");
    let bytes = ended.close().into_bytes();
    let mut cuts = 0;
    for n in 0..200 {
        let mut flash = Flash::from_bytes(bytes.clone(), n);
        flash.cut_after(n);
        let mut log = open(flash);
        let formatted = log.format().is_ok();
        let dark = log.flash().dark();
        cuts += u32::from(dark);
        let (mut log, found) = again(log);
        assert_ne!(found, Boot::UnderWay, "cut after {n}, formatted {formatted}");
        log.format().expect("a flash with power");
        assert_eq!(boot(&mut log), Boot::Blank);
        if !dark {
            break;
        }
    }
    assert!(cuts >= 5, "{cuts}");
}

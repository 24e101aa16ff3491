//! Closed forms, within 0.1 %.

use super::*;
use crate::energy::cost::{Core, core_figures};
use crate::tag_file::TagFile;

fn same(got: f64, want: f64) {
    assert!((got / want - 1.0).abs() < 1e-3, "got {got}, want {want}");
}

/// The defaults on a Cortex-M4F: 58 uA/MHz at 64 MHz, 5 us to wake.
fn with(edit: impl FnOnce(&mut Bus), check: impl FnOnce(Reckoner<'_>)) {
    let mut bus = TagFile::shipped("long-drift").expect("a tag").bus;
    edit(&mut bus);
    check(Reckoner { bus: &bus, processor: core_figures(Core::CortexM4F).into() });
}

/// A measurement of a blocking read at 400 kHz, 25 Hz, on a Cortex-M4F came to 14.6 uA. That is what
/// the frames alone take, 25 x 7 bytes of 9 clocks a second at 3.712 mA, without addresses,
/// registers, starts, pull-ups and set-up; with them it is 16 to 19 uA.
#[test]
fn a_blocking_read_on_i2c() {
    let waits = |bus: &mut Bus| (bus.kind, bus.transfers) = (BusKind::I2c, Meanwhile::Wait);
    let frames_ua = 25.0 * 7.0 * 9.0 / 400e3 * 3712.0;
    same(frames_ua, 14.616);
    let bare = |bus: &mut Bus| {
        waits(bus);
        bus.setup_cycles.value = 0.0;
        bus.pullup_ohm.value = 1e12;
    };
    with(bare, |r| {
        let frames = Traffic { transactions: 0.0, restarts: 0.0, bytes: 25.0 * 7.0 };
        same(r.transfer_uc(BusKind::I2c, &frames), frames_ua);
        // FIFO of 25: status 1 + 1, length 1 + 2, blocks 1 + 112 and 1 + 63: 182 bytes, 8
        // addresses, 4 starts, restarts and stops each.
        same(r.fifo_ua(25.0), (9.0 * 190.0 + 12.0) / 400e3 * 3712.0);
        same(r.fifo_ua(25.0), 15.98);
    });
    // By the defaults: pull-ups of 3 V / 4.7 kohm over 4.305 ms, 4 x 300 cycles.
    with(waits, |r| {
        let set_up_ua = 4.0 * 300.0 / 64e6 * 3712.0;
        same(r.fifo_ua(25.0), 15.98 + 638.3 * 4.305e-3 + set_up_ua);
    });
}

#[test]
fn a_sleeping_processor_pays_for_its_wakes_and_the_bus_block() {
    let sleeps = |bus: &mut Bus| (bus.kind, bus.transfers) = (BusKind::I2c, Meanwhile::Sleep);
    with(sleeps, |r| {
        let awake_ua = 4.0 * (300.0 / 64e6 + 5e-6) * 3712.0;
        same(r.fifo_ua(25.0), (500.0 + 638.3) * 4.305e-3 + awake_ua);
    });
}

#[test]
fn a_read_on_spi() {
    // 186 bytes of 8 clocks at 4 MHz; 20 pF x 3 V x 1.5 a clock.
    let clocks = 8.0 * 186.0;
    let lines_ua = 1.5 * 20e-12 * 3.0 * clocks * 1e6;
    let set_up_ua = 4.0 * 300.0 / 64e6 * 3712.0;
    with(|_| (), |r| same(r.fifo_ua(25.0), clocks / 4e6 * 3712.0 + lines_ua + set_up_ua));
}

#[test]
fn a_pressure_reading() {
    // 10 bytes, 6 addresses, 4 starts and stops, 2 restarts: 154 clocks at 400 kHz; 4.56 ms.
    let transfer_ms = 154.0 / 400.0;
    let set_up_ms = 4.0 * 300.0 / 64e3;
    let both = |delays_uc: f64| transfer_ms * (3.712 + 3.0 / 4.7) + set_up_ms * 3.712 + delays_uc;
    with(|_| (), |r| same(r.pressure_uc(4.56), both(4.56 * 3.712)));
    let sleeps = |bus: &mut Bus| bus.delays = Meanwhile::Sleep;
    with(sleeps, |r| same(r.pressure_uc(4.56), both(2.0 * 5e-3 * 3.712)));
}

#[test]
fn copies_and_their_wear() {
    let tag = TagFile::shipped("long-drift").expect("a tag");
    let mut copies = tag.copies;
    // The memory alone: the processor draws nothing, nor do the lines.
    let bus = Bus { delays: Meanwhile::Sleep, ..tag.bus };
    let mut bus = Bus { transfers: Meanwhile::Sleep, ..bus };
    (bus.transfer_ua.value, bus.line_pf.value) = (0.0, 0.0);
    let processor = Processor { run_ma: 0.0, clock_mhz: 64.0, wake_us: 0.0 };
    let reckoner = Reckoner { bus: &bus, processor };
    let block_uc = 0.2 * 15.0;
    let erasure_uc = 50.0 * 15.0;
    let want = (3.0 * block_uc + erasure_uc / 16.0) / 60.0
        + (56.0 * block_uc + erasure_uc) / 300.0
        + (10.0 * block_uc + erasure_uc / 4.0) / 3600.0;
    same(reckoner.copies_ua(&copies), want);
    // docs/resets.md: a slot of two is erased 144 times a day, one of four 72 times.
    same(erasures_per_day(&copies), 72.0);
    copies.sectors[1] = 2.0;
    same(erasures_per_day(&copies), 144.0);
    // At a copy of everything a day the vitals wear most: 90 a day over two sectors.
    copies.all_s = 86_400.0;
    same(erasures_per_day(&copies), 45.0);
    copies.kept = false;
    assert_eq!((reckoner.copies_ua(&copies), erasures_per_day(&copies)), (0.0, 0.0));
}

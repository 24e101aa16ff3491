//! The self-test before a deployment. Its bounds are common practice, no source.

use firmware_core::drivers::{Accelerometer, Progress, Reading};
use firmware_core::math;

use crate::board::{Board, Probe, Switch};
use crate::firmware::{SAMPLES, Tag, WAIT_US};

/// What is not as it should be. The number is that of short flashes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The accelerometer is silent, or does not feel gravity: 0.8 to 1.2 g.
    Accelerometer = 1,
    /// Its noise from sample to sample is none, or more than 0.03 g.
    Noise = 2,
    /// The pressure sensor is silent, or gives what is neither air nor a few metres of water: 900 to
    /// 4000 mbar, -5 to 45 deg C.
    Pressure = 3,
    /// The cell gives less than 3.3 V, or less than 2.9 V under the load.
    Cell = 4,
    /// The link is open or short: 0.2 to 20 ohm.
    Link = 5,
    /// The transmitter draws no current when keyed, or too much: 20 to 900 mA.
    Beacon = 6,
    /// The flash does not hold the log.
    Flash = 7,
}

/// Checks all of it, the first fault first.
///
/// # Errors
/// What is not as it should be.
pub fn all<B: Board>(tag: &mut Tag<'_, B>) -> Result<(), Fault> {
    let still = (0..3).find_map(|_| still(tag));
    let [mean_g, noise_g] = still.ok_or(Fault::Accelerometer)?;
    hold((0.8..=1.2).contains(&mean_g), Fault::Accelerometer)?;
    hold((0.0003..=0.03).contains(&noise_g), Fault::Noise)?;
    let water = reading(tag).ok_or(Fault::Pressure)?;
    let sound = (900.0..=4000.0).contains(&water.pressure_mbar);
    hold(sound && (-5.0..=45.0).contains(&water.temp_c), Fault::Pressure)?;
    let rest_mv = tag.board.measure(Probe::Cell);
    let load_mv = under(tag, Switch::Load, Probe::Cell);
    hold(rest_mv >= 3300 && load_mv >= 2900, Fault::Cell)?;
    hold((200..=20_000).contains(&tag.board.measure(Probe::Link)), Fault::Link)?;
    let idle_ma = tag.board.measure(Probe::Current);
    let drawn_ma = under(tag, Switch::Key, Probe::Current).saturating_sub(idle_ma);
    hold((20..=900).contains(&drawn_ma), Fault::Beacon)
}

fn hold(sound: bool, fault: Fault) -> Result<(), Fault> {
    if sound { Ok(()) } else { Err(fault) }
}

/// A measurement under a pulse of 50 ms.
fn under<B: Board>(tag: &mut Tag<'_, B>, what: Switch, probe: Probe) -> u16 {
    tag.board.switch(what, true);
    tag.rest_us(50_000);
    let got = tag.board.measure(probe);
    tag.board.switch(what, false);
    got
}

/// Length of the mean of a FIFO of samples, g, and noise of an axis by its differences, which
/// slow motion hardly moves, g.
fn still<B: Board>(tag: &mut Tag<'_, B>) -> Option<[f32; 2]> {
    let accel = tag.accel.as_mut()?;
    accel.start().ok()?;
    tag.rest_us(WAIT_US);
    let (mut sum, mut squares, mut count) = ([0.0_f32; 3], 0.0_f32, 0_u16);
    let mut last: Option<[f32; 3]> = None;
    let mut take = |sample_g: [f32; 3]| {
        sum.iter_mut().zip(sample_g).for_each(|(s, g)| *s += g);
        if let Some(last) = last {
            squares += last.iter().zip(sample_g).map(|(a, b)| (b - a) * (b - a)).sum::<f32>();
        }
        last = Some(sample_g);
        count = count.saturating_add(1);
    };
    tag.accel.as_mut()?.drain(&mut take).ok()?;
    if count < SAMPLES {
        return None;
    }
    let n = f32::from(count);
    let mean_g = math::sqrt(sum.iter().map(|s| (s / n) * (s / n)).sum::<f32>());
    Some([mean_g, math::sqrt(squares / (6.0 * n))])
}

/// A reading of the pressure sensor, asked for once more where it fails.
fn reading<B: Board>(tag: &mut Tag<'_, B>) -> Option<Reading> {
    for _ in 0..10 {
        match tag.pressure.step() {
            Ok(Progress::WaitUs(us)) => tag.rest_us(us.into()),
            Ok(Progress::Done(reading)) => return Some(reading),
            Err(_) => {}
        }
    }
    None
}

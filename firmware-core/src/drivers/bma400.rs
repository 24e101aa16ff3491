//! The accelerometer BMA400 on I2C or SPI, by the crate `bma400`: set up with its
//! FIFO of 1 KiB, emptied in blocks. The crate's own walk over the frames of a block can
//! reach a panic by the compiler's reckoning, so that walk is ours.
//!
//! A frame of three axes takes 7 bytes, so 146 samples fit: 5.8 s at 25 Hz.

use ::bma400::{BMA400, BMA400Error, DataSource, OutputDataRate, PowerMode, Scale};
// What a driver's type names.
pub use ::bma400::{I2CInterface, SPIInterface};
use embedded_hal::i2c::I2c;
use embedded_hal::spi::SpiDevice;

use crate::drivers::sensor::{Accelerometer, Batch, Fault, Repeats, Troubles, count, twice};

/// Bytes of a frame with three axes of 12 bits.
const FRAME: usize = 7;
/// Frames read at a time.
const FRAMES: usize = 16;
/// A FIFO that holds this much has run over: nothing more fits.
const FULL: u16 = 1018;
/// Equal samples in a row after which the part stands still: 60 s at 25 Hz. Its
/// noise is about a count.
const STUCK: u16 = 1500;

/// Samples a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rate {
    /// 12.5 Hz.
    Hz12_5,
    /// 25 Hz.
    Hz25,
    /// 50 Hz.
    Hz50,
    /// 100 Hz.
    Hz100,
}

/// Full scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Range {
    /// 2 g, 1024 counts for one g.
    G2,
    /// 4 g, 512 counts for one g.
    G4,
    /// 8 g, 256 counts for one g.
    G8,
    /// 16 g, 128 counts for one g.
    G16,
}

impl Rate {
    fn part(self) -> OutputDataRate {
        match self {
            Rate::Hz12_5 => OutputDataRate::Hz12_5,
            Rate::Hz25 => OutputDataRate::Hz25,
            Rate::Hz50 => OutputDataRate::Hz50,
            Rate::Hz100 => OutputDataRate::Hz100,
        }
    }
}

impl Range {
    /// g for one count.
    pub fn g_per_count(self) -> f32 {
        // Each range is twice the one before.
        f32::from(1_u8.wrapping_shl(self as u32)) / 1024.0
    }

    fn part(self) -> Scale {
        match self {
            Range::G2 => Scale::Range2G,
            Range::G4 => Scale::Range4G,
            Range::G8 => Scale::Range8G,
            Range::G16 => Scale::Range16G,
        }
    }
}

/// The driver; `T` is the crate's interface, on I2C or SPI.
pub struct Bma400<T> {
    part: BMA400<T>,
    rate: Rate,
    range: Range,
    running: bool,
    repeats: Repeats<[i16; 3]>,
    troubles: Troubles,
}

fn fault<E>(error: BMA400Error<E>) -> Fault<E> {
    match error {
        BMA400Error::IOError(error) => Fault::Bus(error),
        BMA400Error::ChipIdReadFailed => Fault::WrongPart,
        _ => Fault::Refused,
    }
}

/// The counts of three axes. `None`: the frame is a change of settings, the time, or other axes
/// than were asked for.
type Counts = Option<[i16; 3]>;

/// The frame at the start of some bytes, and what is behind it. `None`: an empty
/// frame, which ends the FIFO, or a part of one. Frames by the BMA400 data sheet, chapter on the FIFO
/// (memory).
fn next_frame(bytes: &[u8]) -> Option<(Counts, &[u8])> {
    let (head, rest) = bytes.split_first()?;
    if head & 0xA0 == 0xA0 {
        return Some((None, rest.get(3..)?));
    }
    if head & 0x40 != 0 {
        return Some((None, rest.get(1..)?));
    }
    let axes = (head & 0x0E).count_ones() as usize;
    let fine = head & 0x10 != 0;
    if axes == 0 {
        return None;
    }
    if let (3, true) = (axes, fine) {
        let (frame, behind) = rest.split_first_chunk::<6>()?;
        let [x0, x1, y0, y1, z0, z1] = *frame;
        // Low four bits, then the upper eight with the sign.
        let axis = |low: u8, high: u8| i16::from_le_bytes([low.wrapping_shl(4), high]) >> 4;
        return Some((Some([axis(x0, x1), axis(y0, y1), axis(z0, z1)]), behind));
    }
    let len = if fine { axes.wrapping_mul(2) } else { axes };
    Some((None, rest.get(len..)?))
}

macro_rules! on_bus {
    ($interface:ident, $bus:ident, $new:ident) => {
        impl<B: $bus> Bma400<$interface<B>> {
            /// On `bus`; looks whether the part is there.
            ///
            /// # Errors
            /// The bus, or another part.
            pub fn $new(bus: B, rate: Rate, range: Range) -> Result<Self, Fault<B::Error>> {
                let part = BMA400::$new(bus).map_err(fault)?;
                Ok(Bma400 {
                    part,
                    rate,
                    range,
                    running: false,
                    repeats: Repeats::default(),
                    troubles: Troubles::default(),
                })
            }

            /// Gives the interface back.
            pub fn release(self) -> $interface<B> {
                self.part.destroy()
            }

            /// Tries again once what the bus failed at.
            fn twice<R>(
                &mut self,
                mut what: impl FnMut(
                    &mut BMA400<$interface<B>>,
                ) -> Result<R, BMA400Error<B::Error>>,
            ) -> Result<R, Fault<B::Error>> {
                twice(&mut self.troubles.bus, || what(&mut self.part).map_err(fault))
            }
        }

        impl<B: $bus> Accelerometer for Bma400<$interface<B>> {
            type Error = B::Error;

            fn start(&mut self) -> Result<(), Fault<B::Error>> {
                let (rate, range) = (self.rate, self.range);
                self.running = false;
                self.repeats = Repeats::default();
                if self.twice(|p| p.get_id())? != 0x90 {
                    return Err(Fault::WrongPart);
                }
                // Whatever it was set to before, and clears its mark of a reset.
                self.twice(|p| p.soft_reset())?;
                self.twice(|p| {
                    p.config_accel()
                        .with_power_mode(PowerMode::Normal)
                        .with_odr(rate.part())
                        .with_scale(range.part())
                        .write()
                })?;
                self.twice(|p| {
                    p.config_fifo()
                        .with_axes(true, true, true)
                        .with_src(DataSource::AccFilt1)
                        .write()
                })?;
                self.running = true;
                Ok(())
            }

            fn drain(
                &mut self,
                take: &mut dyn FnMut([f32; 3]),
            ) -> Result<Batch, Fault<B::Error>> {
                // After a reset it sleeps with the settings of its maker.
                let reset = self.running && self.twice(|p| p.get_reset_status())?;
                if reset {
                    count(&mut self.troubles.resets);
                }
                if reset || !self.running {
                    self.start()?;
                    return Ok(Batch { samples: 0, lost: true });
                }
                let mut batch = Batch::default();
                let mut left = self.twice(|p| p.get_fifo_len())?;
                if left >= FULL {
                    count(&mut self.troubles.overruns);
                    batch.lost = true;
                }
                let scale = self.range.g_per_count();
                let mut stuck = false;
                while usize::from(left) >= FRAME {
                    // A read that ends within a frame gives that frame again later.
                    let len = usize::from(left).min(FRAME.wrapping_mul(FRAMES));
                    let mut bytes = [0; FRAME * FRAMES];
                    let Some(block) = bytes.get_mut(..len) else { break };
                    if let Err(error) = self.part.read_fifo_frames(block) {
                        // What was read is gone from the FIFO, so no second try.
                        count(&mut self.troubles.bus);
                        return Err(fault(error));
                    }
                    let mut rest: &[u8] = block;
                    while let Some((counts, behind)) = next_frame(rest) {
                        rest = behind;
                        if let Some(axes) = counts {
                            stuck |= self.repeats.step(axes, STUCK);
                            batch.samples = batch.samples.saturating_add(1);
                            take(axes.map(|c| f32::from(c) * scale));
                        }
                    }
                    left = left.saturating_sub(len as u16);
                }
                if stuck {
                    count(&mut self.troubles.stuck);
                    self.start()?;
                }
                Ok(batch)
            }

            fn troubles(&self) -> &Troubles {
                &self.troubles
            }
        }
    };
}

on_bus!(I2CInterface, I2c, new_i2c);
on_bus!(SPIInterface, SpiDevice, new_spi);

//! The accelerometer BMA400 on I2C or SPI, by its data sheet (memory): set up with its
//! FIFO of 1 KiB, emptied in blocks, with an interrupt on pin INT1 at a watermark where wanted.
//!
//! A frame of three axes takes 7 bytes, so 146 samples fit: 5.8 s at 25 Hz.
//!
//! The crate for it offers blocking or asynchronous transfers for a whole program, not both, and its
//! walk over frames can reach a panic by the compiler's reckoning; so this is our own.

use embedded_hal::i2c::I2c;
use embedded_hal::spi::SpiDevice;
use embedded_hal_async::i2c::I2c as AsyncI2c;
use embedded_hal_async::spi::SpiDevice as AsyncSpiDevice;

use crate::drivers::port::{AsyncRegisters, Registers};
// What a driver's type names.
pub use crate::drivers::port::{I2CInterface, SPIInterface};
use crate::drivers::sensor::{Accelerometer, AsyncAccelerometer, Batch, Fault};
use crate::drivers::sensor::{Repeats, Troubles, Watermark, count};

/// Address on I2C with the pin SDO low.
pub const ADDRESS: u8 = 0x14;
/// Registers, by the data sheet.
const CHIP_ID: u8 = 0x00;
const EVENT: u8 = 0x0D;
const FIFO_LENGTH: u8 = 0x12;
const FIFO_DATA: u8 = 0x14;
const COMMAND: u8 = 0x7E;
/// What `CHIP_ID` holds.
const IDENTITY: u8 = 0x90;
/// The command that resets the part.
const SOFT_RESET: u8 = 0xB6;
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

impl Range {
    /// g for one count.
    pub fn g_per_count(self) -> f32 {
        // Each range is twice the one before.
        f32::from(1_u8.wrapping_shl(self as u32)) / 1024.0
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

/// What a driver knows of its part.
struct State {
    rate: Rate,
    range: Range,
    watermark: Option<Watermark>,
    running: bool,
    repeats: Repeats<[i16; 3]>,
    troubles: Troubles,
}

impl State {
    /// Registers with what is written to them, in order; those behind the first three are written
    /// where an interrupt is wanted. Oversampling and filter stay as they are after a reset.
    fn settings(&self) -> [[u8; 2]; 7] {
        let mark = self.watermark.map_or(0, |w| w.samples.saturating_mul(FRAME as u16));
        let [low, high] = mark.to_le_bytes();
        // The register has 5 for 12.5 Hz, and one more for twice as many.
        let rate = (self.range as u8).wrapping_shl(6) | (self.rate as u8).wrapping_add(5);
        [
            [0x19, 0x02], // ACC_CONFIG0: normal power mode
            [0x1A, rate], // ACC_CONFIG1: range and rate
            [0x26, 0xE0], // FIFO_CONFIG0: three axes, from the first filter
            [0x27, low],  // FIFO_CONFIG1 and FIFO_CONFIG2: the watermark, bytes
            [0x28, high],
            [0x21, 0x40], // INT1_MAP: the watermark's interrupt to INT1
            [0x1F, 0x40], // INT_CONFIG0: that interrupt is enabled
        ]
    }

    /// Hands over the frames of a block. True: the part stands still.
    fn take(&mut self, block: &[u8], batch: &mut Batch, take: &mut dyn FnMut([f32; 3])) -> bool {
        let scale = self.range.g_per_count();
        let (mut rest, mut stuck) = (block, false);
        while let Some((counts, behind)) = next_frame(rest) {
            rest = behind;
            if let Some(axes) = counts {
                stuck |= self.repeats.step(axes, STUCK);
                batch.samples = batch.samples.saturating_add(1);
                take(axes.map(|c| f32::from(c) * scale));
            }
        }
        stuck
    }
}

macro_rules! driver {
    (
        $go:ident; $($async:ident)?;
        $driver:ident, $accelerometer:ident, $registers:ident, $i2c:ident, $spi:ident
    ) => {
        /// The driver; `T` is an interface on I2C or SPI.
        pub struct $driver<T> {
            port: T,
            state: State,
        }

        impl<B: $i2c> $driver<I2CInterface<B>> {
            /// On `bus`; looks whether the part is there.
            ///
            /// # Errors
            /// The bus, or another part.
            pub $($async)? fn new_i2c(bus: B, rate: Rate, range: Range)
                -> Result<Self, Fault<B::Error>>
            {
                let port = I2CInterface { bus, address: ADDRESS };
                $go!($driver::found(port, rate, range))
            }
        }

        impl<B: $spi> $driver<SPIInterface<B>> {
            /// On `bus`; looks whether the part is there.
            ///
            /// # Errors
            /// The bus, or another part.
            pub $($async)? fn new_spi(bus: B, rate: Rate, range: Range)
                -> Result<Self, Fault<B::Error>>
            {
                let mut port = SPIInterface { bus };
                // The first reading sets the part to SPI.
                $go!(port.once(&[CHIP_ID], &mut [0])).map_err(Fault::Bus)?;
                $go!($driver::found(port, rate, range))
            }
        }

        impl<T: $registers> $driver<T> {
            /// Where the part is the right one.
            $($async)? fn found(mut port: T, rate: Rate, range: Range)
                -> Result<Self, Fault<T::Error>>
            {
                let mut identity = [0];
                $go!(port.once(&[CHIP_ID], &mut identity)).map_err(Fault::Bus)?;
                if identity != [IDENTITY] {
                    return Err(Fault::WrongPart);
                }
                let (repeats, troubles) = (Repeats::default(), Troubles::default());
                let state = State { rate, range, watermark: None, running: false, repeats, troubles };
                Ok($driver { port, state })
            }

            /// With an interrupt on INT1, high while the FIFO holds so many samples, from the
            /// next start on.
            #[must_use]
            pub fn with_watermark(mut self, watermark: Watermark) -> Self {
                self.state.watermark = Some(watermark);
                self
            }
        }

        impl<T: $registers> $accelerometer for $driver<T> {
            type Error = T::Error;

            $($async)? fn start(&mut self) -> Result<(), Fault<T::Error>> {
                let settings = self.state.settings();
                let State { running, repeats, troubles, watermark, .. } = &mut self.state;
                let failures = &mut troubles.bus;
                *running = false;
                *repeats = Repeats::default();
                let mut byte = [0];
                $go!(self.port.twice(&[CHIP_ID], &mut byte, failures))?;
                if byte != [IDENTITY] {
                    return Err(Fault::WrongPart);
                }
                // Whatever it was set to before, and clears its mark of a reset.
                $go!(self.port.twice(&[COMMAND, SOFT_RESET], &mut [], failures))?;
                $go!(self.port.twice(&[EVENT], &mut byte, failures))?;
                let wanted = if watermark.is_some() { settings.len() } else { 3 };
                for setting in settings.iter().take(wanted) {
                    $go!(self.port.twice(setting, &mut [], failures))?;
                }
                *running = true;
                Ok(())
            }

            $($async)? fn drain(&mut self, take: &mut dyn FnMut([f32; 3]))
                -> Result<Batch, Fault<T::Error>>
            {
                let State { running, troubles, .. } = &mut self.state;
                // After a reset it sleeps with the settings of its maker.
                let mut event = [0];
                if *running {
                    $go!(self.port.twice(&[EVENT], &mut event, &mut troubles.bus))?;
                }
                let [event] = event;
                let reset = event & 1 != 0;
                troubles.resets = troubles.resets.saturating_add(reset.into());
                if reset || !*running {
                    $go!(self.start())?;
                    return Ok(Batch { samples: 0, lost: true });
                }
                let mut batch = Batch::default();
                let mut left = [0; 2];
                $go!(self.port.twice(&[FIFO_LENGTH], &mut left, &mut troubles.bus))?;
                let mut left = u16::from_le_bytes(left) & 0x07FF;
                if left >= FULL {
                    count(&mut troubles.overruns);
                    batch.lost = true;
                }
                let mut stuck = false;
                while usize::from(left) >= FRAME {
                    // A read that ends within a frame gives that frame again later.
                    let len = usize::from(left).min(FRAME.wrapping_mul(FRAMES));
                    let mut bytes = [0; FRAME * FRAMES];
                    let Some(block) = bytes.get_mut(..len) else { break };
                    if let Err(error) = $go!(self.port.once(&[FIFO_DATA], block)) {
                        // What was read is gone from the FIFO, so no second try.
                        count(&mut self.state.troubles.bus);
                        return Err(Fault::Bus(error));
                    }
                    stuck |= self.state.take(block, &mut batch, take);
                    left = left.saturating_sub(len as u16);
                }
                if stuck {
                    count(&mut self.state.troubles.stuck);
                    $go!(self.start())?;
                }
                Ok(batch)
            }

            fn troubles(&self) -> &Troubles {
                &self.state.troubles
            }
        }
    };
}

driver!(now; ; Bma400, Accelerometer, Registers, I2c, SpiDevice);
driver!(
    later; async;
    AsyncBma400, AsyncAccelerometer, AsyncRegisters, AsyncI2c, AsyncSpiDevice
);

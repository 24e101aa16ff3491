//! Two small accelerometer drivers over `embedded-hal`, as a tag would have them.
//!
//! The parts are invented: a who-am-I register, a control register that sets
//! rate and range, and a block of output registers read in one burst.

use embedded_hal::i2c::I2c;
use embedded_hal::spi::{Operation, SpiDevice};

/// Bus address of the I2C part.
pub const ADDRESS: u8 = 0x19;
/// Identity register and what it must hold.
pub const WHO_AM_I: u8 = 0x0F;
/// Value of [`WHO_AM_I`].
pub const IDENTITY: u8 = 0x5A;
/// Control register: bit 7 runs the part.
pub const CONTROL: u8 = 0x20;
/// First of the six (counts) or twelve (floats) output registers.
pub const OUTPUT: u8 = 0x28;
/// Set in a register number to read several, in I2C and SPI.
pub const BURST: u8 = 0x80;

/// Why a driver could not read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault<E> {
    /// The bus reported an error.
    Bus(E),
    /// Something else answers at this address.
    WrongPart(u8),
}

/// Three axes in g.
pub trait Accelerometer {
    /// What can go wrong.
    type Error;

    /// Checks the part and sets it running.
    ///
    /// # Errors
    /// The bus failed, or another part answers.
    fn start(&mut self) -> Result<(), Self::Error>;

    /// Reads the newest sample, g.
    ///
    /// # Errors
    /// The bus failed.
    fn read_g(&mut self) -> Result<[f32; 3], Self::Error>;
}

/// A part with 16-bit counts on I2C.
pub struct CountsAccel<B> {
    bus: B,
    counts_per_g: f32,
}

impl<B: I2c> CountsAccel<B> {
    /// On `bus`, at `counts_per_g`.
    pub fn new(bus: B, counts_per_g: f32) -> Self {
        CountsAccel { bus, counts_per_g }
    }
}

impl<B: I2c> Accelerometer for CountsAccel<B> {
    type Error = Fault<B::Error>;

    fn start(&mut self) -> Result<(), Self::Error> {
        let mut id = [0];
        self.bus.write_read(ADDRESS, &[WHO_AM_I], &mut id).map_err(Fault::Bus)?;
        let [id] = id;
        if id != IDENTITY {
            return Err(Fault::WrongPart(id));
        }
        self.bus.write(ADDRESS, &[CONTROL, 0x80]).map_err(Fault::Bus)
    }

    fn read_g(&mut self) -> Result<[f32; 3], Self::Error> {
        let mut raw = [0; 6];
        self.bus.write_read(ADDRESS, &[OUTPUT | BURST], &mut raw).map_err(Fault::Bus)?;
        let [x0, x1, y0, y1, z0, z1] = raw;
        let counts = [[x0, x1], [y0, y1], [z0, z1]].map(i16::from_le_bytes);
        Ok(to_g(counts, self.counts_per_g))
    }
}

/// Counts to g.
pub fn to_g(counts: [i16; 3], counts_per_g: f32) -> [f32; 3] {
    counts.map(|c| f32::from(c) / counts_per_g)
}

/// A part that gives calibrated floats, on SPI.
pub struct FloatAccel<B> {
    bus: B,
}

impl<B: SpiDevice> FloatAccel<B> {
    /// On `bus`.
    pub fn new(bus: B) -> Self {
        FloatAccel { bus }
    }
}

impl<B: SpiDevice> Accelerometer for FloatAccel<B> {
    type Error = Fault<B::Error>;

    fn start(&mut self) -> Result<(), Self::Error> {
        let mut id = [0];
        let mut read = [Operation::Write(&[WHO_AM_I | BURST]), Operation::Read(&mut id)];
        self.bus.transaction(&mut read).map_err(Fault::Bus)?;
        let [id] = id;
        if id != IDENTITY {
            return Err(Fault::WrongPart(id));
        }
        self.bus.write(&[CONTROL, 0x80]).map_err(Fault::Bus)
    }

    fn read_g(&mut self) -> Result<[f32; 3], Self::Error> {
        let mut raw = [0; 12];
        let mut read = [Operation::Write(&[OUTPUT | BURST]), Operation::Read(&mut raw)];
        self.bus.transaction(&mut read).map_err(Fault::Bus)?;
        let [a, b, c, d, e, f, g, h, i, j, k, l] = raw;
        let axes = [[a, b, c, d], [e, f, g, h], [i, j, k, l]];
        Ok(axes.map(|bytes| f32::from_bits(u32::from_le_bytes(bytes))))
    }
}

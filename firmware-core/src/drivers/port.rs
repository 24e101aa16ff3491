//! Registers of a part, on I2C or SPI.

use embedded_hal::i2c::I2c;
use embedded_hal::spi::{Operation, SpiDevice};
use embedded_hal_async::i2c::I2c as AsyncI2c;
use embedded_hal_async::spi::SpiDevice as AsyncSpiDevice;

use crate::drivers::sensor::{Fault, count};

/// On I2C.
pub struct I2CInterface<B> {
    /// The bus.
    pub bus: B,
    /// Address of the part, 7 bits.
    pub address: u8,
}

/// On SPI: the top bit of the register reads, and one byte comes before the content.
pub struct SPIInterface<B> {
    /// The bus, with the part's own select line.
    pub bus: B,
}

macro_rules! ports {
    ($go:ident; $($async:ident)?; $registers:ident, $i2c:ident, $spi:ident) => {
        /// Registers of 8 bits, and commands.
        #[allow(async_fn_in_trait, reason = "an executor on a tag has one core")]
        pub trait $registers {
            /// Error of the bus.
            type Error;

            /// Writes a register and its value, or a command; where `into` has places, writes
            /// a register and reads from there on.
            ///
            /// # Errors
            /// The bus.
            $($async)? fn once(&mut self, head: &[u8], into: &mut [u8]) -> Result<(), Self::Error>;

            /// Does so, and once more where the bus failed, whose failures are counted.
            ///
            /// # Errors
            /// The bus, twice.
            $($async)? fn twice(&mut self, head: &[u8], into: &mut [u8], failures: &mut u16)
                -> Result<(), Fault<Self::Error>>
            {
                if $go!(self.once(head, into)).is_ok() {
                    return Ok(());
                }
                count(failures);
                let got = $go!(self.once(head, into));
                got.inspect_err(|_| count(failures)).map_err(Fault::Bus)
            }
        }

        impl<B: $i2c> $registers for I2CInterface<B> {
            type Error = B::Error;

            $($async)? fn once(&mut self, head: &[u8], into: &mut [u8]) -> Result<(), B::Error> {
                if into.is_empty() {
                    return $go!(self.bus.write(self.address, head));
                }
                $go!(self.bus.write_read(self.address, head, into))
            }
        }

        impl<B: $spi> $registers for SPIInterface<B> {
            type Error = B::Error;

            $($async)? fn once(&mut self, head: &[u8], into: &mut [u8]) -> Result<(), B::Error> {
                if into.is_empty() {
                    return $go!(self.bus.write(head));
                }
                let head = [head.first().map_or(0, |register| register | 0x80), 0];
                $go!(self.bus.transaction(&mut [Operation::Write(&head), Operation::Read(into)]))
            }
        }
    };
}

ports!(now; ; Registers, I2c, SpiDevice);
ports!(later; async; AsyncRegisters, AsyncI2c, AsyncSpiDevice);

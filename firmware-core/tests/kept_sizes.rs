//! Memory that the log and the summary need beside the tag's own state.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use firmware_core::log::{Bursts, Log, LogError, Recorder};
use firmware_core::message::Summary;
use firmware_core::record::{Body, Kind, PAYLOAD_MAX, Pack};

/// A flash without any state of its own, of a word of `WORD` and a block of `BLOCK` bytes.
struct Nowhere<const WORD: usize, const BLOCK: usize>;

impl<const WORD: usize, const BLOCK: usize> ErrorType for Nowhere<WORD, BLOCK> {
    type Error = NorFlashErrorKind;
}

impl<const WORD: usize, const BLOCK: usize> ReadNorFlash for Nowhere<WORD, BLOCK> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, _: u32, _: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        Err(NorFlashErrorKind::Other)
    }

    fn capacity(&self) -> usize {
        1 << 20
    }
}

impl<const WORD: usize, const BLOCK: usize> NorFlash for Nowhere<WORD, BLOCK> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, _: u32, _: u32) -> Result<(), NorFlashErrorKind> {
        Err(NorFlashErrorKind::Other)
    }

    fn write(&mut self, _: u32, _: &[u8]) -> Result<(), NorFlashErrorKind> {
        Err(NorFlashErrorKind::Other)
    }
}

#[test]
fn sizes_are_as_stated() {
    let sizes = [
        ("log", size_of::<Log<Nowhere<4, 4096>>>(), 88),
        ("recorder", size_of::<Recorder>(), 160),
        ("summary", size_of::<Summary>(), 480),
        ("bursts", size_of::<Bursts>(), 272),
    ];
    for (name, got, most) in sizes {
        println!("{name}: {got} B");
        assert!(got <= most, "{name}: {got} B, stated {most} B");
    }
}

/// A dead flash, one of a shape that cannot hold a log, and a record too long are
/// errors that say so.
#[test]
fn what_cannot_be_kept_is_an_error() {
    struct Long(usize);
    impl Body for Long {
        const KIND: Kind = Kind::Burst;
        fn pack(&self, into: &mut Pack<'_>) {
            (0..self.0).for_each(|_| into.u8(1));
        }
    }
    let opened = Log::open(Nowhere::<4, 4096>, 0, 1 << 20);
    assert!(opened.is_ok(), "opens on a dead flash");
    let Ok(mut log) = opened else { return };
    assert_eq!(log.append(&Long(PAYLOAD_MAX)), Err(LogError::Flash));
    assert!(log.failures() > 0);
    assert_eq!(log.append(&Long(PAYLOAD_MAX + 1)), Err(LogError::TooLong));
    assert_eq!(log.append(&Long(70_000)), Err(LogError::TooLong));
    let geometry = Some(LogError::Geometry);
    assert_eq!(Log::open(Nowhere::<4, 4096>, 0, 3 * 4096).err(), geometry);
    assert_eq!(Log::open(Nowhere::<4, 4096>, 100, 1 << 20).err(), geometry);
    assert_eq!(Log::open(Nowhere::<4, 4096>, 0, 1 << 21).err(), geometry);
    assert_eq!(Log::open(Nowhere::<64, 4096>, 0, 1 << 20).err(), geometry);
    assert_eq!(Log::open(Nowhere::<4, 256>, 0, 1 << 20).err(), geometry);
    assert!(Log::open(Nowhere::<32, 131_072>, 0, 1 << 20).is_ok());
}

//! Memory that the log and the summary need beside the tag's own state.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use firmware_core::message::Summary;
use firmware_core::store::log::{Bursts, Log, LogError, Recorder};
use firmware_core::store::record::{
    Body, FATE_BYTES, FateEvent, HOUR_BYTES, Hour, HourSum, Kind, MINUTE_BYTES, PAYLOAD_MAX, Pack,
    RECOVERY_BYTES, RELEASE_BYTES, RecoveryEvent, ReleaseEvent, minute_stored, stored_bytes,
};
use firmware_core::types::{
    Cause, Fate, FateReport, FaultCounters, Minute, RecoveryReport, ReleaseDecision, State,
};

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
        ("log", size_of::<Log<Nowhere<4, 4096>>>(), 76),
        ("recorder", size_of::<Recorder>(), 136),
        ("summary", size_of::<Summary>(), 468),
        ("bursts", size_of::<Bursts>(), 264),
    ];
    for (name, got, most) in sizes {
        println!("{name}: {got} B");
        assert!(got <= most, "{name}: {got} B, stated {most} B");
    }
}

/// What is reckoned for a record is what it packs to, and what the log takes for it.
#[test]
fn reckoned_sizes_are_those_of_the_records() {
    fn packed(body: &impl Body) -> usize {
        let mut bytes = [0; PAYLOAD_MAX];
        let mut pack = Pack::new(&mut bytes);
        body.pack(&mut pack);
        pack.len()
    }
    let minute = Minute {
        t_us: 60_000_000,
        beats_per_min: None,
        sway_g: 0.0,
        odba_g: 0.0,
        vedba_g: 0.0,
        pitch_deg: 0.0,
        roll_deg: 0.0,
        depth_m: None,
        state: State::Unknown,
    };
    let mut sum = HourSum::default();
    sum.add(&minute, &FaultCounters::default());
    let hour: Option<Hour> = sum.finish(&FaultCounters::default());
    let report = FateReport { fate: Fate::Dead, event_us: 1, decided_us: 2, evidence: 3.0 };
    let fate = FateEvent { report, minute: Some(minute) };
    let report = RecoveryReport { t_s: 1.0, se_s: 2.0, prob: 0.5, decided_us: Some(3) };
    let recovery = RecoveryEvent { t_us: 1, report };
    let (cause, t_us) = (Cause::Death, 1);
    let decision = ReleaseDecision { t_us, cause, since_us: 0, value: 1.0, bound: 1.0 };
    let release = ReleaseEvent { decision, minute: Some(minute) };
    for (name, got, stated, in_log) in [
        ("minute", packed(&minute), MINUTE_BYTES, 24),
        ("hour", hour.map_or(0, |h| packed(&h)), HOUR_BYTES, 48),
        ("fate", packed(&fate), FATE_BYTES, 44),
        ("recovery", packed(&recovery), RECOVERY_BYTES, 32),
        ("release", packed(&release), RELEASE_BYTES, 48),
    ] {
        assert_eq!((got, stored_bytes(got)), (stated, in_log), "{name}");
    }
    assert_eq!((minute_stored(0), minute_stored(59 * 60_000_000)), (24, 72));
    // Against the plain division, up to the longest deployment there can be.
    for t_us in (0..4000 * 3_600_000_000_u64).step_by(59_999_999) {
        let last = t_us / 60_000_000 % 60 == 59;
        assert_eq!(minute_stored(t_us), if last { 72 } else { 24 }, "{t_us}");
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

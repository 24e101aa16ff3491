//! The log itself: segments, and records in them.

use embedded_storage::nor_flash::NorFlash;

use super::frame::{self, ALIGN_MAX, FRAME_MAX, Frame};
use super::segment::{HEADER_BYTES, Header};
use crate::store::record::{Body, Class, FRAME_HEAD, Kind, Pack};

/// Places tried for a record before giving up, where the flash fails.
const TRIES: usize = 6;
/// Segments tried for a new one.
const SEGMENT_TRIES: usize = 16;
/// Of these, free ones before one in use is dropped.
const FREE_TRIES: usize = 12;
/// Smallest number of segments.
const SEGMENTS_MIN: u32 = 4;

/// Why a record was not kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LogError {
    /// The memory is full of records of a higher class.
    Full,
    /// The payload is too long.
    TooLong,
    /// The flash did not take it, in several places.
    Flash,
    /// The flash or the range cannot hold a log: word of at most
    /// [`ALIGN_MAX`] bytes, erase block of 512 to 131072 bytes, at least four of them.
    Geometry,
}

/// Where the next record of a class goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Head {
    segment: u16,
    offset: u32,
}

/// What the log knows of a class.
#[derive(Clone, Copy, Debug, Default)]
struct InClass {
    /// Where its next record goes: in its newest segment.
    head: Option<Head>,
    /// Number of its next record.
    number: u32,
    /// Its segments.
    used: u16,
    /// Its segments dropped since opening.
    dropped: u16,
}

/// The log. It owns the flash, or a `&mut` of it.
#[derive(Clone, Debug)]
pub struct Log<F> {
    flash: F,
    base: u32,
    segments: u16,
    /// The classes, in their order.
    classes: [InClass; 3],
    /// Number of the next segment opened.
    sequence: u32,
    /// Where the search for a free segment goes on: one of the log's.
    next: u16,
    failures: u16,
}

/// What the memory of a segment shows at its beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Found {
    Blank,
    Unknown,
    Segment(Header),
}

impl<F: NorFlash> Log<F> {
    const ALIGN: u32 = if F::WRITE_SIZE > 4 { F::WRITE_SIZE as u32 } else { 4 };
    const SEGMENT: u32 = F::ERASE_SIZE as u32;
    const SOUND: bool = F::WRITE_SIZE.is_power_of_two()
        && F::WRITE_SIZE <= ALIGN_MAX
        && F::READ_SIZE.is_power_of_two()
        && F::READ_SIZE <= 4
        && F::ERASE_SIZE.is_power_of_two()
        && F::ERASE_SIZE >= 512
        && F::ERASE_SIZE <= 131_072;

    /// Opens the log in the bytes from `from` to `to` of the flash, whatever they hold.
    ///
    /// # Errors
    /// [`LogError::Geometry`] alone.
    pub fn open(flash: F, from: u32, to: u32) -> Result<Self, LogError> {
        let segments = to.saturating_sub(from).checked_div(Self::SEGMENT).unwrap_or(0);
        let within = to as usize <= flash.capacity();
        let aligned = from.checked_rem(Self::SEGMENT) == Some(0);
        if !Self::SOUND || !within || !aligned || segments < SEGMENTS_MIN {
            return Err(LogError::Geometry);
        }
        let mut log = Log {
            flash,
            base: from,
            segments: segments.min(u32::from(u16::MAX)) as u16,
            classes: [InClass::default(); 3],
            sequence: 0,
            next: 0,
            failures: 0,
        };
        log.find_heads();
        Ok(log)
    }

    /// Erases everything. A deployment begins once this has returned `Ok`.
    ///
    /// # Errors
    /// [`LogError::Flash`] where a segment stays readable; the others are erased.
    pub fn format(&mut self) -> Result<(), LogError> {
        let mut result = Ok(());
        // The newest events go last: while it is at work they tell that it may be.
        let [_, _, events] = self.classes;
        let last = self.holder(Class::Summary, events.number.saturating_sub(1)).map(|(n, _)| n);
        for segment in (0..self.segments).filter(|n| Some(*n) != last).chain(last) {
            if !self.erase(segment) && self.look(segment) != Found::Blank {
                result = Err(LogError::Flash);
            }
        }
        self.classes = [InClass::default(); 3];
        self.sequence = 0;
        self.find_heads();
        result
    }

    /// Segments that are not as erased.
    pub fn written(&mut self) -> u16 {
        (0..self.segments).filter(|segment| self.look(*segment) != Found::Blank).count() as u16
    }

    /// Keeps a record. Once this returns `Ok` the record survives a power cut.
    ///
    /// # Errors
    /// The record was not kept; the log goes on with the next one.
    #[inline(never)]
    pub fn append<B: Body>(&mut self, body: &B) -> Result<(), LogError> {
        let mut frame = [u8::MAX; FRAME_MAX];
        let Some(room) = frame.get_mut(FRAME_HEAD..) else { return Err(LogError::TooLong) };
        let mut pack = Pack::new(room);
        body.pack(&mut pack);
        let length = pack.len();
        self.append_frame(B::KIND, length, &mut frame)
    }

    /// Part of the memory that holds what is not to be dropped lightly (minutes
    /// and summaries), 0 to 1: what the tag judges "memory full" by.
    pub fn used_fraction(&self) -> f32 {
        let [_, minutes, summary] = &self.classes;
        f32::from(minutes.used.saturating_add(summary.used)) / f32::from(self.segments)
    }

    /// Segments in all, and in use by class in their order.
    pub fn segments(&self) -> (u16, [u16; 3]) {
        (self.segments, self.classes.map(|c| c.used))
    }

    /// Segments of each class dropped since the log was opened.
    pub fn dropped(&self) -> [u16; 3] {
        self.classes.map(|c| c.dropped)
    }

    /// Writes and erasures that failed since the log was opened.
    pub fn failures(&self) -> u16 {
        self.failures
    }

    /// The flash.
    pub fn flash(&mut self) -> &mut F {
        &mut self.flash
    }

    /// Gives the flash back.
    pub fn close(self) -> F {
        self.flash
    }

    fn address(&self, segment: u16) -> u32 {
        self.base.saturating_add(u32::from(segment).saturating_mul(Self::SEGMENT))
    }

    #[inline(never)]
    fn read(&mut self, segment: u16, offset: u32, into: &mut [u8]) -> bool {
        let at = self.address(segment).saturating_add(offset);
        self.flash.read(at, into).is_ok()
    }

    #[inline(never)]
    fn look(&mut self, segment: u16) -> Found {
        let mut bytes = [0; HEADER_BYTES];
        if !self.read(segment, 0, &mut bytes) {
            return Found::Unknown;
        }
        match Header::find(&bytes) {
            Some(header) if header.align == Self::ALIGN && header.block == Self::SEGMENT => {
                Found::Segment(header)
            }
            _ if frame::blank(&bytes) => Found::Blank,
            _ => Found::Unknown,
        }
    }

    /// Reads all headers, then the newest segment of each class to its end.
    fn find_heads(&mut self) {
        let mut newest: [Option<(u16, Header)>; 3] = [None; 3];
        for segment in 0..self.segments {
            let Found::Segment(header) = self.look(segment) else { continue };
            let class = self.class(header.class);
            class.used = class.used.saturating_add(1);
            if header.sequence >= self.sequence {
                self.sequence = header.sequence.wrapping_add(1);
                self.next = self.after(segment);
            }
            if let Some(slot) = newest.get_mut(header.class as usize)
                && slot.is_none_or(|(_, h)| h.sequence < header.sequence)
            {
                *slot = Some((segment, header));
            }
        }
        for (segment, header) in newest.into_iter().flatten() {
            let (head, number) = self.walk(segment, &header, &mut |_, _| {});
            let class = self.class(header.class);
            (class.head, class.number) = (Some(head), number);
        }
    }

    fn after(&self, segment: u16) -> u16 {
        let next = segment.wrapping_add(1);
        if next < self.segments { next } else { 0 }
    }

    /// Goes through a segment and hands over every sound record with its number. Gives where
    /// its untouched part begins: behind the last record, and behind everything else that is
    /// not blank; and the number of the next record.
    #[inline(never)]
    fn walk(
        &mut self,
        segment: u16,
        header: &Header,
        each: &mut dyn FnMut(u32, &Frame<'_>),
    ) -> (Head, u32) {
        let mut number = header.first_number;
        let mut end = HEADER_BYTES as u32;
        let mut at = end;
        let mut buffer = [0; FRAME_MAX];
        while let Some(left) = Self::SEGMENT.checked_sub(at).filter(|left| *left > 0) {
            let Some(window) = buffer.get_mut(..(left as usize).min(FRAME_MAX)) else { break };
            let taken = if !self.read(segment, at, window) {
                // What cannot be read is not written to.
                Self::ALIGN
            } else if let Some(frame) = Frame::find(window) {
                let own = frame.number_from(header.first_number);
                each(own, &frame);
                number = own.wrapping_add(1);
                frame.stored(Self::ALIGN)
            } else {
                let blank = frame::blank_prefix(window, Self::ALIGN);
                if blank > 0 {
                    at = at.saturating_add(blank);
                    continue;
                }
                Self::ALIGN
            };
            at = at.saturating_add(taken).min(Self::SEGMENT);
            end = at;
        }
        (Head { segment, offset: end }, number)
    }

    /// Number of the next record of each class, in their order.
    pub fn next_numbers(&self) -> [u32; 3] {
        self.classes.map(|c| c.number)
    }

    /// Hands over the records of a class from this number on that are still there,
    /// in their order: kind, as its number, and payload.
    pub fn recall(&mut self, class: Class, from: u32, mut each: impl FnMut(u8, &[u8])) {
        let mut next = from;
        let mut place = self.holder(class, from).or_else(|| self.opened_after(class, None));
        while let Some((segment, header)) = place {
            self.walk(segment, &header, &mut |number, frame| {
                // A record that had to be written twice may be there twice.
                if number >= next {
                    next = number.saturating_add(1);
                    each(frame.kind, frame.payload);
                }
            });
            place = self.opened_after(class, Some(header.sequence));
        }
    }

    /// The segment of a class that holds the record of this number, if it is there.
    fn holder(&mut self, class: Class, number: u32) -> Option<(u16, Header)> {
        self.lowest(class, &|header| (header.first_number <= number).then_some(!header.sequence))
    }

    /// The segment of a class that was opened next after this one; `None`: the first.
    fn opened_after(&mut self, class: Class, sequence: Option<u32>) -> Option<(u16, Header)> {
        let later = |header: &Header| sequence.is_none_or(|s| header.sequence > s);
        self.lowest(class, &|header| later(header).then_some(header.sequence))
    }

    /// Of the segments of a class that have a rank the one with the lowest.
    #[inline(never)]
    fn lowest(
        &mut self,
        class: Class,
        rank: &dyn Fn(&Header) -> Option<u32>,
    ) -> Option<(u16, Header)> {
        let mut best: Option<(u32, u16, Header)> = None;
        for segment in 0..self.segments {
            if let Found::Segment(header) = self.look(segment)
                && header.class == class
                && let Some(rank) = rank(&header)
                && best.is_none_or(|(lowest, ..)| rank < lowest)
            {
                best = Some((rank, segment, header));
            }
        }
        best.map(|(_, segment, header)| (segment, header))
    }

    fn class(&mut self, class: Class) -> &mut InClass {
        let [detail, minutes, summary] = &mut self.classes;
        match class {
            Class::Detail => detail,
            Class::Minutes => minutes,
            Class::Summary => summary,
        }
    }

    fn failed(&mut self) {
        self.failures = self.failures.saturating_add(1);
    }

    #[inline(never)]
    fn append_frame(
        &mut self,
        kind: Kind,
        length: usize,
        frame: &mut [u8; FRAME_MAX],
    ) -> Result<(), LogError> {
        let class = kind.class();
        let number = self.class(class).number;
        let sealed = frame::seal(frame, kind, length, number, Self::ALIGN);
        let bytes = sealed.ok_or(LogError::TooLong)?;
        let stored = bytes.len() as u32;
        for attempt in 0..TRIES {
            let room =
                self.class(class).head.filter(|h| h.offset.saturating_add(stored) <= Self::SEGMENT);
            let mut head = match room {
                Some(head) => head,
                None => self.open_segment(class)?,
            };
            let offset = head.offset;
            // Whatever happens, this place is not written to again.
            head.offset = offset.saturating_add(stored);
            self.class(class).head = Some(head);
            if self.write(head.segment, offset, bytes) {
                self.class(class).number = number.wrapping_add(1);
                return Ok(());
            }
            self.failed();
            if attempt > 0 {
                // Two places of it did not take the record: on to another segment.
                self.class(class).head = None;
            }
        }
        Err(LogError::Flash)
    }

    /// Writes and reads back.
    #[inline(never)]
    fn write(&mut self, segment: u16, offset: u32, bytes: &[u8]) -> bool {
        let at = self.address(segment).saturating_add(offset);
        if self.flash.write(at, bytes).is_err() {
            return false;
        }
        let mut back = [0; ALIGN_MAX];
        (offset..Self::SEGMENT).step_by(ALIGN_MAX).zip(bytes.chunks(ALIGN_MAX)).all(|(at, part)| {
            let back = back.get_mut(..part.len());
            back.is_some_and(|back| self.read(segment, at, back) && back == part)
        })
    }

    /// Erases and looks whether everything is blank.
    #[inline(never)]
    fn erase(&mut self, segment: u16) -> bool {
        let from = self.address(segment);
        let to = from.saturating_add(Self::SEGMENT);
        if self.flash.erase(from, to).is_err() {
            return false;
        }
        let mut bytes = [0; 64];
        (0..Self::SEGMENT)
            .step_by(bytes.len())
            .all(|at| self.read(segment, at, &mut bytes) && frame::blank(&bytes))
    }

    /// Finds a place for a new segment of a class, drops what is there, and begins it.
    #[inline(never)]
    fn open_segment(&mut self, class: Class) -> Result<Head, LogError> {
        // Segments that failed are passed over in this search.
        let mut tried = [u16::MAX; SEGMENT_TRIES];
        for attempt in 0..SEGMENT_TRIES {
            let free_first = attempt < FREE_TRIES;
            let Some((segment, found)) = self.choose(class, free_first, &tried) else {
                return Err(if attempt > 0 { LogError::Flash } else { LogError::Full });
            };
            if let Some(slot) = tried.get_mut(attempt) {
                *slot = segment;
            }
            self.next = self.after(segment);
            let erased = self.erase(segment);
            if let Found::Segment(old) = found
                && self.look(segment) != found
            {
                self.forget(segment, old.class);
            }
            if !erased {
                self.failed();
                continue;
            }
            let header = Header {
                class,
                block: Self::SEGMENT,
                align: Self::ALIGN,
                sequence: self.sequence,
                first_number: self.class(class).number,
            };
            // Used up even if the header fails: no two segments share a number.
            self.sequence = self.sequence.wrapping_add(1);
            if !self.write(segment, 0, &header.bytes()) {
                self.failed();
                continue;
            }
            let head = Head { segment, offset: HEADER_BYTES as u32 };
            let class = self.class(class);
            class.used = class.used.saturating_add(1);
            class.head = Some(head);
            return Ok(head);
        }
        Err(LogError::Flash)
    }

    /// A segment is gone.
    fn forget(&mut self, segment: u16, class: Class) {
        let class = self.class(class);
        class.used = class.used.saturating_sub(1);
        class.dropped = class.dropped.saturating_add(1);
        class.head = class.head.filter(|head| head.segment != segment);
    }

    /// A blank segment; else one that holds nothing readable; else the oldest of
    /// the lowest class that may be dropped (this one before the others without `free_first`).
    #[inline(never)]
    fn choose(
        &mut self,
        class: Class,
        free_first: bool,
        tried: &[u16; SEGMENT_TRIES],
    ) -> Option<(u16, Found)> {
        let mut free: Option<(u16, Found)> = None;
        let mut oldest: Option<(u16, Header)> = None;
        for segment in (self.next..self.segments).chain(0..self.next) {
            if tried.contains(&segment) {
                continue;
            }
            match self.look(segment) {
                Found::Blank if free_first => return Some((segment, Found::Blank)),
                Found::Segment(header) => {
                    let rank = (header.class, header.sequence);
                    if header.class <= class
                        && oldest.is_none_or(|(_, o)| rank < (o.class, o.sequence))
                    {
                        oldest = Some((segment, header));
                    }
                }
                found => free = free.or(Some((segment, found))),
            }
        }
        let oldest = oldest.map(|(segment, header)| (segment, Found::Segment(header)));
        if free_first { free.or(oldest) } else { oldest.or(free) }
    }
}

//! Copies of state in flash, of which the newest whole one counts.
//!
//! A region is a ring of equal slots. A copy goes into the slot after the last
//! one, never over the newest whole one, is read back, and counts only if its
//! CRC-32 is right; where the flash is worn the next slot is tried. So power may
//! go at any moment: the copy before is still there.
//!
//! A copy: mark u16, version u16, number u32, fingerprint u32, length u32, the
//! state, CRC-32 of all before it; little-endian, padded with 0xFF. Blocks of
//! [`BLOCK`] bytes are written, so the flash's write size must divide that.

use embedded_storage::nor_flash::NorFlash;

use crate::kept::{BLOCK, Cursor, Kept, Nowhere, Port};

/// Version of the layout of a copy.
pub const VERSION: u16 = 1;
const HEAD: u32 = 16;
/// Worn slots passed over in one go; more where more are erased together.
const TRIES: u16 = 4;

/// Why a copy could not be kept or a region not be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SlotError {
    /// The region does not fit the flash, or has fewer than two parts that can
    /// be erased apart.
    Region,
    /// The state is longer than a slot.
    TooLong,
    /// No slot that was tried holds what was written.
    Worn,
}

/// Where copies lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Region {
    /// First byte; a multiple of the flash's erase size.
    pub from: u32,
    /// Bytes of a slot: a multiple of the erase size, or a divisor of it.
    pub slot_bytes: u32,
    /// Slots.
    pub count: u16,
    /// Tells regions of one flash apart.
    pub mark: u16,
}

impl Region {
    /// Bytes of the region.
    pub fn bytes(&self) -> u32 {
        self.slot_bytes.saturating_mul(u32::from(self.count))
    }
}

/// A region in use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Slots {
    region: Region,
    /// Slot and number of the newest whole copy.
    newest: Option<(u16, u32)>,
    /// Slot tried last.
    last: u16,
}

/// What a copy begins with.
#[derive(Clone, Copy, Kept!)]
struct Head {
    mark: u16,
    version: u16,
    number: u32,
    fingerprint: u32,
    len: u32,
}

struct FlashPort<'a, F> {
    flash: &'a mut F,
    at: u32,
}

impl<F: NorFlash> Port for FlashPort<'_, F> {
    fn put(&mut self, block: &[u8]) -> bool {
        let mut whole = [0xFF; BLOCK];
        whole.iter_mut().zip(block).for_each(|(w, b)| *w = *b);
        let done = self.flash.write(self.at, &whole).is_ok();
        self.at = self.at.saturating_add(BLOCK as u32);
        done
    }

    fn get(&mut self, block: &mut [u8]) -> bool {
        let mut whole = [0xFF; BLOCK];
        let done = self.flash.read(self.at, &mut whole).is_ok();
        block.iter_mut().zip(&whole).for_each(|(b, w)| *b = *w);
        self.at = self.at.saturating_add(BLOCK as u32);
        done
    }
}

impl Slots {
    /// Of no region: holds nothing and takes nothing.
    pub(crate) const NONE: Slots = Slots {
        region: Region { from: 0, slot_bytes: 0, count: 0, mark: 0 },
        newest: None,
        last: 0,
    };

    /// Looks through a region for the newest whole copy.
    ///
    /// # Errors
    /// [`SlotError::Region`].
    pub fn open<F: NorFlash>(flash: &mut F, region: Region) -> Result<Self, SlotError> {
        const {
            assert!(F::WRITE_SIZE != 0 && BLOCK.is_multiple_of(F::WRITE_SIZE));
            assert!(F::READ_SIZE != 0 && BLOCK.is_multiple_of(F::READ_SIZE));
        }
        let erase = F::ERASE_SIZE as u32;
        let fits = |a: u32, b: u32| a.checked_rem(b) == Some(0);
        let end = region.from.checked_add(region.bytes());
        let parts = region.bytes().checked_div(erase.max(region.slot_bytes)).unwrap_or(0);
        let sound = fits(region.from, erase)
            && (fits(region.slot_bytes, erase) || fits(erase, region.slot_bytes))
            && fits(region.bytes(), erase)
            && fits(region.slot_bytes, BLOCK as u32)
            && parts >= 2
            && end.is_some_and(|end| end as usize <= flash.capacity());
        if !sound {
            return Err(SlotError::Region);
        }
        let slots = Slots { region, newest: None, last: region.count.saturating_sub(1) };
        let newest = slots.below(flash, u32::MAX, None);
        let last = newest.map_or(slots.last, |(slot, _)| slot);
        Ok(Slots { newest, last, ..slots })
    }

    /// True where a whole copy was found or written.
    pub fn any(&self) -> bool {
        self.newest.is_some()
    }

    /// Keeps a copy of `state`.
    ///
    /// # Errors
    /// [`SlotError::TooLong`], [`SlotError::Worn`]. The copy before still stands.
    pub fn save<F: NorFlash>(
        &mut self,
        flash: &mut F,
        fingerprint: u32,
        state: &mut dyn Kept,
    ) -> Result<(), SlotError> {
        let len = length(state).ok_or(SlotError::TooLong)?;
        if len.saturating_add(HEAD).saturating_add(4) > self.region.slot_bytes {
            return Err(SlotError::TooLong);
        }
        // After a reset the search begins behind the newest copy again: slots that are erased
        // together must be passed over in one go, or the same worn ones are tried for ever.
        let together = (F::ERASE_SIZE as u32).checked_div(self.region.slot_bytes).unwrap_or(0);
        let most = u32::from(TRIES).max(together.saturating_add(2));
        let number = self.newest.map_or(0, |(_, number)| number).saturating_add(1);
        let mut head = Head { mark: self.region.mark, version: VERSION, number, fingerprint, len };
        let mut tries = 0_u32;
        for _ in 0..self.region.count {
            let slot = self.after(self.last);
            self.last = slot;
            if !self.make_room(flash, slot) {
                continue;
            }
            if self.write(flash, slot, &mut head, state)
                && self.whole(flash, slot).is_some_and(|h| h.number == number)
            {
                self.newest = Some((slot, number));
                return Ok(());
            }
            tries = tries.saturating_add(1);
            if tries >= most {
                break;
            }
        }
        Err(SlotError::Worn)
    }

    /// Puts the newest whole copy that has this fingerprint into `state`. False:
    /// there is none; `state` may then hold anything and has to be made anew.
    pub fn load<F: NorFlash>(&self, flash: &mut F, fingerprint: u32, state: &mut dyn Kept) -> bool {
        self.load_or_touch(flash, fingerprint, state, &mut false)
    }

    /// As [`Slots::load`]; tells whether `state` was touched.
    pub(crate) fn load_or_touch<F: NorFlash>(
        &self,
        flash: &mut F,
        fingerprint: u32,
        state: &mut dyn Kept,
        touched: &mut bool,
    ) -> bool {
        let mut below = u32::MAX;
        while let Some((slot, number)) = self.below(flash, below, Some(fingerprint)) {
            below = number;
            let mut port = FlashPort { flash, at: self.start(slot) };
            let mut cursor = Cursor::load(&mut port, self.region.slot_bytes);
            let Some(head) = self.head(&mut cursor) else { continue };
            *touched = true;
            state.visit(&mut cursor);
            if cursor.sound() && cursor.count() == HEAD.saturating_add(head.len) {
                return true;
            }
        }
        false
    }

    fn start(&self, slot: u16) -> u32 {
        self.region.from.saturating_add(self.region.slot_bytes.saturating_mul(slot.into()))
    }

    fn after(&self, slot: u16) -> u16 {
        let next = slot.saturating_add(1);
        if next < self.region.count { next } else { 0 }
    }

    /// Erases for a slot where that is due. False: the newest whole copy is in the way.
    fn make_room<F: NorFlash>(&self, flash: &mut F, slot: u16) -> bool {
        let erase = F::ERASE_SIZE as u32;
        let from = self.start(slot);
        if from.checked_rem(erase) != Some(0) {
            // Erased with the slots before it, unless power went before that one
            // was written: a copy over old bytes is found out when it is read back.
            return self.newest.is_none_or(|(newest, _)| newest != slot);
        }
        let to = from.saturating_add(self.region.slot_bytes.max(erase));
        if self.newest.is_some_and(|(newest, _)| (from..to).contains(&self.start(newest))) {
            return false;
        }
        // A flash that cannot erase shows when the copy is read back.
        let _ = flash.erase(from, to);
        true
    }

    fn write<F: NorFlash>(
        &self,
        flash: &mut F,
        slot: u16,
        head: &mut Head,
        state: &mut dyn Kept,
    ) -> bool {
        let mut port = FlashPort { flash, at: self.start(slot) };
        let mut cursor = Cursor::save(&mut port);
        head.visit(&mut cursor);
        state.visit(&mut cursor);
        cursor.crc().visit(&mut cursor);
        cursor.finish().is_some()
    }

    /// The head of a whole copy of this version.
    fn whole<F: NorFlash>(&self, flash: &mut F, slot: u16) -> Option<Head> {
        let mut port = FlashPort { flash, at: self.start(slot) };
        let mut cursor = Cursor::load(&mut port, self.region.slot_bytes);
        let head = self.head(&mut cursor)?;
        cursor.pass_over(head.len);
        let crc = cursor.crc();
        let mut kept = 0_u32;
        kept.visit(&mut cursor);
        (kept == crc && cursor.sound()).then_some(head)
    }

    /// The head of a copy of this version.
    fn head(&self, cursor: &mut Cursor<'_>) -> Option<Head> {
        let mut head = Head::blank();
        head.visit(cursor);
        let room = self.region.slot_bytes.saturating_sub(HEAD).saturating_sub(4);
        let ours = head.mark == self.region.mark && head.version == VERSION;
        (ours && head.len <= room).then_some(head)
    }

    /// Slot and number of the newest whole copy with a number below the one given.
    fn below<F: NorFlash>(
        &self,
        flash: &mut F,
        number: u32,
        fingerprint: Option<u32>,
    ) -> Option<(u16, u32)> {
        let mut best: Option<(u16, u32)> = None;
        for slot in 0..self.region.count {
            if let Some(head) = self.whole(flash, slot)
                && head.number < number
                && fingerprint.is_none_or(|f| f == head.fingerprint)
                && best.is_none_or(|(_, newest)| head.number > newest)
            {
                best = Some((slot, head.number));
            }
        }
        best
    }
}

/// Bytes of some state in a copy.
fn length(state: &mut dyn Kept) -> Option<u32> {
    let mut nowhere = Nowhere;
    let mut cursor = Cursor::count_only(&mut nowhere);
    state.visit(&mut cursor);
    cursor.finish().map(|(len, _)| len)
}

/// Bytes and CRC-32 of some state: its length in a copy, and a fingerprint.
pub fn measure(state: &mut dyn Kept) -> Option<(u32, u32)> {
    let mut nowhere = Nowhere;
    let mut cursor = Cursor::save(&mut nowhere);
    state.visit(&mut cursor);
    cursor.finish()
}

//! Little-endian fields, one after another, and layouts made of them.
//!
//! A layout is given once, as a list of fields ([`layout!`]), and serves both ways: what is
//! written cannot differ from what is read.

use heapless::Vec;

use crate::math;
use crate::types::{
    Cause, FAULT_KINDS, Fate, FaultKind, State, cause_code, cause_of, fate_code, fate_of,
    fault_code, state_code, state_of,
};

/// Something that lies in a record in one way.
pub(in crate::store) trait Field: Sized {
    /// Puts it.
    fn put(&self, into: &mut Pack<'_>);
    /// Takes it; `None` where the payload is too short or holds a code without meaning.
    fn take(from: &mut Unpack<'_>) -> Option<Self>;
}

/// Reads a payload.
pub(in crate::store) fn read<T: Field>(payload: &[u8]) -> Option<T> {
    T::take(&mut Unpack::new(payload))
}

/// The layout of a struct: its fields in the order of their bytes, each as its type lies in a
/// record, or by a method of this name that [`Pack`] and [`Unpack`] both have.
macro_rules! layout {
    ($name:ident { $( $field:tt $( : $codec:ident ( $($arg:expr)? ) )? ),* $(,)? }) => {
        impl $crate::store::record::field::Field for $name {
            fn put(&self, into: &mut $crate::store::record::field::Pack<'_>) {
                $( layout!(put into, self.$field $(, $codec $(, $arg)?)?); )*
            }
            fn take(from: &mut $crate::store::record::field::Unpack<'_>) -> Option<Self> {
                Some($name { $( $field: layout!(take from $(, $codec $(, $arg)?)?), )* })
            }
        }
    };
    (put $into:ident, $x:expr) => { $crate::store::record::field::Field::put(&$x, $into) };
    (put $into:ident, $x:expr, $codec:ident $(, $arg:expr)?) => { $into.$codec($x $(, $arg)?) };
    (take $from:ident) => { $crate::store::record::field::Field::take($from)? };
    (take $from:ident, $codec:ident $(, $arg:expr)?) => { $from.$codec($($arg)?)? };
}
pub(super) use layout;

/// Says that there is none, in a time.
const NO_TIME: u64 = 0xFFFF_FFFF_FFFF;
const MINUTE_US: u64 = 60_000_000;

/// Puts fields into a buffer. What does not fit is counted and left out.
pub struct Pack<'a> {
    buffer: &'a mut [u8],
    at: usize,
}

impl<'a> Pack<'a> {
    /// At the start of `buffer`.
    pub fn new(buffer: &'a mut [u8]) -> Self {
        Pack { buffer, at: 0 }
    }

    /// Bytes put; more than the buffer holds where something did not fit.
    pub fn len(&self) -> usize {
        self.at
    }

    /// Whether nothing was put.
    pub fn is_empty(&self) -> bool {
        self.at == 0
    }

    /// Bytes.
    #[inline(never)]
    pub fn bytes(&mut self, bytes: &[u8]) {
        let end = self.at.saturating_add(bytes.len());
        for (to, from) in self.buffer.iter_mut().skip(self.at).zip(bytes) {
            *to = *from;
        }
        self.at = end;
    }

    /// One byte.
    pub fn u8(&mut self, x: u8) {
        self.bytes(&[x]);
    }

    /// The whole minutes of a time in microseconds, three bytes: up to 31 years.
    pub fn whole_minutes(&mut self, us: u64) {
        let [a, b, c, ..] = us.checked_div(MINUTE_US).unwrap_or(0).to_le_bytes();
        self.bytes(&[a, b, c]);
    }

    /// `x` in steps of `1 / per_unit`, two bytes; held at the largest code less one.
    #[inline(never)]
    pub fn scaled(&mut self, x: f32, per_unit: f32) {
        (math::round_u32((x * per_unit).clamp(0.0, 65_534.0)) as u16).put(self);
    }

    /// `x` in steps of `1 / per_unit`, two bytes; all ones say that there is none.
    #[inline(never)]
    pub fn scaled_option(&mut self, x: Option<f32>, per_unit: f32) {
        match x {
            Some(x) => self.scaled(x, per_unit),
            None => u16::MAX.put(self),
        }
    }

    /// An angle of -180 to 180 degrees in steps of 180/127, one byte.
    pub fn angle(&mut self, deg: f32) {
        self.bytes(&(math::floor(deg * (127.0 / 180.0) + 0.5) as i8).to_le_bytes());
    }

    /// A part of 0 to 1 in steps of 1/250, one byte; 255 says that there is none.
    pub fn part(&mut self, part: Option<f32>) {
        self.u8(part.map_or(u8::MAX, |x| math::round_u32(x.clamp(0.0, 1.0) * 250.0) as u8));
    }
}

/// Takes fields from a payload; `None` past its end.
pub struct Unpack<'a> {
    left: &'a [u8],
}

impl<'a> Unpack<'a> {
    /// At the start of a payload.
    pub fn new(payload: &'a [u8]) -> Self {
        Unpack { left: payload }
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.left.split_first_chunk::<N>()?;
        self.left = rest;
        Some(*head)
    }

    /// Whole minutes as a time, microseconds.
    pub fn whole_minutes(&mut self) -> Option<u64> {
        let [a, b, c] = self.array()?;
        Some(u64::from(u32::from_le_bytes([a, b, c, 0])).saturating_mul(MINUTE_US))
    }

    /// A number in steps of `1 / per_unit`.
    pub fn scaled(&mut self, per_unit: f32) -> Option<f32> {
        u16::take(self).map(|x| f32::from(x) / per_unit)
    }

    /// A number in steps of `1 / per_unit`, where all ones say that there is none.
    pub fn scaled_option(&mut self, per_unit: f32) -> Option<Option<f32>> {
        u16::take(self).map(|x| (x != u16::MAX).then(|| f32::from(x) / per_unit))
    }

    /// An angle in steps of 180/127 degrees.
    pub fn angle(&mut self) -> Option<f32> {
        self.array().map(|b| f32::from(i8::from_le_bytes(b)) * (180.0 / 127.0))
    }

    /// A part in steps of 1/250.
    pub fn part(&mut self) -> Option<Option<f32>> {
        u8::take(self).map(|x| (x != u8::MAX).then(|| f32::from(x) / 250.0))
    }
}

/// Numbers by their bits.
macro_rules! numbers {
    ($($t:ty),*) => { $(
        impl Field for $t {
            // Called for every field of a type: never inlined, or it is there for each.
            #[inline(never)]
            fn put(&self, into: &mut Pack<'_>) {
                into.bytes(&self.to_le_bytes());
            }
            fn take(from: &mut Unpack<'_>) -> Option<Self> {
                from.array().map(<$t>::from_le_bytes)
            }
        }
    )* };
}
numbers!(u8, u16, i16, u32, f32);

/// A time in microseconds, six bytes: up to 8.9 years.
impl Field for u64 {
    fn put(&self, into: &mut Pack<'_>) {
        let [a, b, c, d, e, f, ..] = (*self).min(NO_TIME).to_le_bytes();
        into.bytes(&[a, b, c, d, e, f]);
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        let [a, b, c, d, e, f] = from.array()?;
        Some(u64::from_le_bytes([a, b, c, d, e, f, 0, 0]))
    }
}

/// What may be missing: the code with all ones says that there is none.
macro_rules! or_none {
    ($($t:ty: $none:expr),*) => { $(
        impl Field for Option<$t> {
            fn put(&self, into: &mut Pack<'_>) {
                self.unwrap_or($none).put(into);
            }
            fn take(from: &mut Unpack<'_>) -> Option<Self> {
                <$t>::take(from).map(|x| Some(x).filter(|x| *x != $none))
            }
        }
    )* };
}
or_none!(u32: u32::MAX, u64: NO_TIME);

fn fault_of(code: u8) -> Option<FaultKind> {
    FAULT_KINDS.get(usize::from(code)).copied()
}

/// What has a number: one byte.
macro_rules! codes {
    ($($t:ty: $code:ident, $of:ident);*) => { $(
        impl Field for $t {
            fn put(&self, into: &mut Pack<'_>) {
                into.u8($code(*self));
            }
            fn take(from: &mut Unpack<'_>) -> Option<Self> {
                u8::take(from).and_then($of)
            }
        }
    )* };
}
codes!(
    State: state_code, state_of;
    Fate: fate_code, fate_of;
    Cause: cause_code, cause_of;
    FaultKind: fault_code, fault_of
);

impl<T: Field + Copy + Default, const N: usize> Field for [T; N] {
    fn put(&self, into: &mut Pack<'_>) {
        self.iter().for_each(|item| item.put(into));
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        let mut all = [T::default(); N];
        for item in &mut all {
            *item = T::take(from)?;
        }
        Some(all)
    }
}

/// Their number in one byte, then each.
impl<T: Field, const N: usize> Field for Vec<T, N> {
    fn put(&self, into: &mut Pack<'_>) {
        into.u8(self.len() as u8);
        self.iter().for_each(|item| item.put(into));
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        let mut all = Vec::new();
        for _ in 0..u8::take(from)? {
            all.push(T::take(from)?).ok()?;
        }
        Some(all)
    }
}

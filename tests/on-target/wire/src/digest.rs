//! A digest of every stage's state, from what the tag shows of itself.
//!
//! The tag's debug text, which is derived, names its stages in the order in which a
//! sample travels through them, and shows every number in full (the shortest decimal that
//! gives the same bits). The stages are the fields of the tag's parts: of
//! `Tag { front: Front { ingest: .. }, mind: Mind { .. }, own: () }` each field of `front` and
//! of `mind`. So the first stage whose digest differs is the stage that went astray,
//! with no access to its insides.

use core::fmt::{self, Write};

use firmware_core::detector::Detector;
use firmware_core::tag::Tag;

/// Stages that can be told apart.
pub const STAGES_MAX: usize = 40;
const NAME_MAX: usize = 20;

/// FNV-1a of a stage's text.
#[derive(Clone, Copy)]
pub struct Stage {
    name: [u8; NAME_MAX],
    name_len: u8,
    /// Digest of its state.
    pub digest: u32,
}

impl Stage {
    const NEW: Stage = Stage { name: [0; NAME_MAX], name_len: 0, digest: 0x811c_9dc5 };

    /// Name of the field that holds it.
    pub fn name(&self) -> &str {
        let bytes = self.name.get(..usize::from(self.name_len)).unwrap_or(&[]);
        core::str::from_utf8(bytes).unwrap_or("")
    }
}

/// Depth of brackets at which a stage's name stands.
const DEPTH: u8 = 2;

/// Splits the debug text of a struct into the fields of its parts.
pub struct Stages {
    all: [Stage; STAGES_MAX],
    count: u8,
    depth: u8,
    in_name: bool,
}

impl Stages {
    /// Of a tag as it is now.
    pub fn of<X: Detector>(tag: &Tag<X>) -> Self {
        let mut stages =
            Stages { all: [Stage::NEW; STAGES_MAX], count: 0, depth: 0, in_name: false };
        // Writing to it cannot fail.
        let _ = write!(stages, "{tag:?}");
        stages
    }

    /// The stages in order.
    pub fn iter(&self) -> impl Iterator<Item = &Stage> {
        // What has no fields, such as no detector of one's own, has no name either.
        self.all.iter().take(usize::from(self.count)).filter(|stage| stage.name_len > 0)
    }

    fn take(&mut self, byte: u8) {
        match byte {
            b'{' | b'[' | b'(' => {
                self.depth = self.depth.wrapping_add(1);
                if self.depth == DEPTH {
                    self.begin();
                    return;
                }
            }
            b'}' | b']' | b')' => self.depth = self.depth.wrapping_sub(1),
            b',' if self.depth == DEPTH => {
                self.begin();
                return;
            }
            _ => {}
        }
        if self.depth < DEPTH {
            return;
        }
        let Some(stage) = self.all.get_mut(usize::from(self.count).wrapping_sub(1)) else { return };
        if self.in_name {
            match byte {
                b':' => self.in_name = false,
                b' ' => {}
                _ => {
                    if let Some(slot) = stage.name.get_mut(usize::from(stage.name_len)) {
                        *slot = byte;
                        stage.name_len = stage.name_len.wrapping_add(1);
                    }
                }
            }
        } else {
            stage.digest = (stage.digest ^ u32::from(byte)).wrapping_mul(0x0100_0193);
        }
    }

    fn begin(&mut self) {
        if usize::from(self.count) < STAGES_MAX {
            self.count = self.count.wrapping_add(1);
        }
        self.in_name = true;
    }
}

impl Write for Stages {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            self.take(byte);
        }
        Ok(())
    }
}

//! Before a deployment: the tag waits to be armed, and shows what came of its self-test.

use crate::board::{Board, Switch};
use crate::firmware::{SECOND_US, Tag};

/// Without the magnet for so long, or in water for so long: armed.
const MAGNET_S: u32 = 3;
const WATER_S: u32 = 30;

/// On the shelf: until the magnet that was there is gone, or the tag is in water.
pub fn wait_until_armed<B: Board>(tag: &mut Tag<'_, B>) {
    let (mut shelved, mut free_s, mut wet_s) = (false, 0, 0);
    while wet_s < WATER_S && !(shelved && free_s >= MAGNET_S) {
        tag.rest_us(SECOND_US);
        tag.board.alive();
        let (magnet, wet) = (tag.board.magnet(), tag.board.wet());
        shelved |= magnet;
        free_s = if magnet { 0 } else { free_s.saturating_add(1) };
        wet_s = if wet { wet_s.saturating_add(1) } else { 0 };
    }
}

/// Shows what came of the self-test: 0, all is well.
pub fn show<B: Board>(tag: &mut Tag<'_, B>, code: u8) {
    let (flashes, on_us) = if code == 0 { (1, 2 * SECOND_US) } else { (code, SECOND_US / 8) };
    for _ in 0..if code == 0 { 1 } else { 3 } {
        for _ in 0..flashes {
            tag.board.switch(Switch::Led, true);
            tag.rest_us(on_us);
            tag.board.switch(Switch::Led, false);
            tag.rest_us(SECOND_US / 4);
        }
        tag.board.alive();
        tag.rest_us(SECOND_US);
    }
}

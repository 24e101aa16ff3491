//! The animal's own axes, found from the data: "up" is mean gravity while it
//! swims, "left" is the axis of the tail's sway, "ahead" follows from both.
//!
//! Sway alone cannot tell left from right, nor then head from tail. Where depth
//! is recorded the answer is in the dives: head up goes with rising. Until that
//! is clear, or without depth, the sensor's own x axis is taken to point more
//! towards the head than away from it.

use crate::kept::Kept;
use crate::math;

/// Minutes of swimming that "up" remembers.
const MEMORY_MIN: f32 = 120.0;
/// Minutes of swimming after which "up" is known.
const KNOWN_MIN: f32 = 5.0;
/// Minutes of swimming after which it is known well enough to tell a carcass, which lies
/// level, from a tag that hangs or lies as it may.
const GLIMPSED_MIN: f32 = 2.0;
/// Gravity along "up" beyond which the posture is upright, g: within 25 degrees.
const UPRIGHT_G: f32 = 0.906;
/// Gravity along "up" below which nothing swims, g: more than 75 degrees off.
const OVERTURNED_G: f32 = 0.26;
/// Minutes further off than this are not the worn posture, degrees.
const WORN_DEG: f32 = 50.0;

/// Pitch and roll, degrees.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Attitude {
    /// Head up positive.
    pub pitch_deg: f32,
    /// Left flank up positive, 180 is belly up.
    pub roll_deg: f32,
    /// Angle between gravity and its mean while swimming, 0 to 180.
    pub off_deg: f32,
}

/// The frame and what it was learnt from.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Frame {
    given: Option<[[f32; 3]; 3]>,
    up: [f32; 3],
    minutes: f32,
    left: [f32; 3],
    heading: f32,
    last_depth_m: Option<f32>,
}

impl Frame {
    /// `mount_deg`: roll, pitch and yaw of the sensor on the animal, where known.
    pub fn new(mount_deg: Option<[f32; 3]>) -> Self {
        Frame {
            given: mount_deg.map(axes_of_mount),
            up: [0.0, 0.0, 1.0],
            left: [0.0, 1.0, 0.0],
            ..Kept::blank()
        }
    }

    /// The flank axis where the mounting is known.
    pub fn given_left(&self) -> Option<[f32; 3]> {
        self.given.map(|[_, left, _]| left)
    }

    /// True once the posture in which the tag is worn is known.
    pub fn known(&self) -> bool {
        self.minutes >= KNOWN_MIN
    }

    /// True once that posture was seen for long enough to judge by what is far from it.
    pub fn glimpsed(&self) -> bool {
        self.minutes >= GLIMPSED_MIN
    }

    /// True where a static acceleration is near the worn posture, or that is not
    /// known yet. The tail's sway is learnt only then: in a held roll the rhythm
    /// leaks into other axes through gravity.
    pub fn upright(&self, static_g: [f32; 3]) -> bool {
        !self.known() || math::dot(static_g, self.up) > UPRIGHT_G
    }

    /// True where a static acceleration is so far from the worn posture that
    /// what sways the tag is not swimming. Never before that posture is known.
    pub fn overturned(&self, static_g: [f32; 3]) -> bool {
        self.known() && math::dot(static_g, self.up) < OVERTURNED_G
    }

    /// The tag sits otherwise from now on, with gravity as in `static_g`: what was known
    /// of the worn posture, or was told of the mounting, no longer holds.
    pub fn forget(&mut self, static_g: [f32; 3]) {
        self.given = None;
        self.minutes = 0.0;
        self.heading = 0.0;
        self.up = math::unit(static_g).unwrap_or(self.up);
    }

    /// The body's axes (ahead, left, up) in sensor axes.
    fn axes(&self) -> [[f32; 3]; 3] {
        if let Some(axes) = self.given {
            return axes;
        }
        let up = self.up;
        let level = math::add_scaled(self.left, -math::dot(self.left, up), up);
        let left = math::unit(level).unwrap_or([0.0, 1.0, 0.0]);
        let ahead = math::cross(left, up);
        let [x, _, _] = ahead;
        let flip = if math::abs(self.heading) > 0.25 { self.heading < 0.0 } else { x < 0.0 };
        if flip {
            [math::add_scaled([0.0; 3], -1.0, ahead), math::add_scaled([0.0; 3], -1.0, left), up]
        } else {
            [ahead, left, up]
        }
    }

    /// Attitude for a mean static acceleration.
    pub fn attitude(&self, static_g: [f32; 3]) -> Attitude {
        let [ahead, left, up] = self.axes();
        let x = math::dot(static_g, ahead);
        let y = math::dot(static_g, left);
        let z = math::dot(static_g, up);
        let off_deg = match math::unit(static_g) {
            Some(g) => math::angle_deg(g, self.up),
            None => 0.0,
        };
        Attitude {
            pitch_deg: math::atan2(x, math::sqrt(y * y + z * z)) * math::DEG,
            roll_deg: math::atan2(y, z) * math::DEG,
            off_deg,
        }
    }

    /// Learns from a minute: its mean static acceleration, the present sway
    /// axis, whether it was swum, and depth.
    pub fn learn(
        &mut self,
        static_g: [f32; 3],
        sway: Option<[f32; 3]>,
        swum: bool,
        depth_m: Option<f32>,
    ) {
        let Some(g) = math::unit(static_g) else { return };
        if self.minutes == 0.0 {
            // Better than nothing until the animal swims.
            self.up = g;
        }
        if swum {
            let worn = self.minutes < KNOWN_MIN || math::angle_deg(g, self.up) < WORN_DEG;
            if worn {
                self.minutes += 1.0;
                let k = 1.0 / math::at_most(self.minutes, MEMORY_MIN);
                let moved = math::add_scaled(g, -1.0, self.up);
                self.up = math::unit(math::add_scaled(self.up, k, moved)).unwrap_or(self.up);
            }
            if let Some(mut left) = sway {
                // Keep the side that was called left.
                if math::dot(left, self.left) < 0.0 && self.minutes > 1.0 {
                    left = math::add_scaled([0.0; 3], -1.0, left);
                }
                self.left = left;
            }
            if let (Some(depth), Some(last)) = (depth_m, self.last_depth_m) {
                // Rising with the head up: evidence that `ahead` points to the head.
                let rise = math::within(last - depth, -20.0, 20.0);
                let level = math::add_scaled(self.left, -math::dot(self.left, self.up), self.up);
                let ahead = math::cross(math::unit(level).unwrap_or(self.left), self.up);
                let tilt = math::dot(g, ahead);
                if math::abs(tilt) > 0.03 {
                    let k = math::at_most(0.02 * math::abs(rise), 0.1);
                    let agrees = if rise * tilt > 0.0 { 1.0 } else { -1.0 };
                    self.heading += k * (agrees - self.heading);
                }
            }
        }
        self.last_depth_m = depth_m;
    }
}

/// Up in sensor axes on an upright, level animal, for a mounting of roll, pitch and yaw, degrees.
pub fn up_of_mount(mount_deg: [f32; 3]) -> [f32; 3] {
    let [_, _, up] = axes_of_mount(mount_deg);
    up
}

/// Body axes (ahead, left, up) in sensor axes for a mounting: the sensor is
/// turned to the left by yaw, then head up by pitch, then left side up by roll.
fn axes_of_mount(mount_deg: [f32; 3]) -> [[f32; 3]; 3] {
    let [roll, pitch, yaw] = mount_deg;
    let (sr, cr) = (math::sin(roll / math::DEG), math::cos(roll / math::DEG));
    let (sp, cp) = (math::sin(pitch / math::DEG), math::cos(pitch / math::DEG));
    let (sy, cy) = (math::sin(yaw / math::DEG), math::cos(yaw / math::DEG));
    // Columns of the sensor's axes in body axes are x_s = (cp cy, cp sy, sp), ...;
    // each row below is one body axis seen by the sensor.
    let turn = |v: [f32; 3]| -> [f32; 3] {
        let [x, y, z] = v;
        // Undo yaw, then pitch, then roll.
        let (x1, y1, z1) = (cy * x + sy * y, -sy * x + cy * y, z);
        let (x2, y2, z2) = (cp * x1 + sp * z1, y1, -sp * x1 + cp * z1);
        [x2, cr * y2 + sr * z2, -sr * y2 + cr * z2]
    };
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]].map(turn)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ANGLES_DEG: [f64; 7] = [-80.0, -45.0, -10.0, 0.0, 20.0, 50.0, 85.0];

    /// Gravity's reading in the body's axes (ahead, left, up) for pitch and roll, degrees.
    fn gravity(pitch_deg: f64, roll_deg: f64) -> [f64; 3] {
        let ((sp, cp), (sr, cr)) =
            (pitch_deg.to_radians().sin_cos(), roll_deg.to_radians().sin_cos());
        [sp, cp * sr, cp * cr]
    }

    /// A turn by which the first axis moves towards the second, degrees.
    fn turn(first: [f64; 3], second: [f64; 3], angle_deg: f64) -> [[f64; 3]; 2] {
        let (s, c) = angle_deg.to_radians().sin_cos();
        let mix = |a: [f64; 3], ka: f64, b: [f64; 3], kb: f64| {
            let ([ax, ay, az], [bx, by, bz]) = (a, b);
            [ka * ax + kb * bx, ka * ay + kb * by, ka * az + kb * bz]
        };
        [mix(first, c, second, s), mix(second, c, first, -s)]
    }

    /// What a sensor reads that sits so on a body with gravity along `g`: turned left by yaw,
    /// then head up by pitch, then left side up by roll, each about its own axes.
    fn read([roll, pitch, yaw]: [f64; 3], g: [f64; 3]) -> [f32; 3] {
        let (x, y, z) = ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]);
        let [x, y] = turn(x, y, yaw);
        let [x, z] = turn(x, z, pitch);
        let [y, z] = turn(y, z, roll);
        let along = |axis: [f64; 3]| axis.iter().zip(g).map(|(a, b)| a * b).sum::<f64>() as f32;
        [along(x), along(y), along(z)]
    }

    fn apart_deg(a: f32, b: f64) -> f64 {
        ((f64::from(a) - b + 540.0).rem_euclid(360.0) - 180.0).abs()
    }

    #[test]
    fn a_given_mounting_is_undone() {
        let mounts = [
            [0.0; 3],
            [90.0, 0.0, 0.0],
            [0.0, 30.0, 0.0],
            [0.0, 0.0, -120.0],
            [-35.0, 20.0, 160.0],
        ];
        for mount in mounts {
            let frame = Frame::new(Some(mount.map(|a| a as f32)));
            for pitch in ANGLES_DEG {
                for roll in [-170.0, -90.0, -30.0, 0.0, 60.0, 135.0] {
                    let got = frame.attitude(read(mount, gravity(pitch, roll)));
                    assert!(apart_deg(got.pitch_deg, pitch) < 0.01, "{mount:?}: {got:?}");
                    assert!(apart_deg(got.roll_deg, roll) < 0.01, "{mount:?}: {got:?}");
                }
            }
            // The left flank, as the sensor sees it.
            let left = read(mount, [0.0, 1.0, 0.0]);
            let given = frame.given_left().unwrap_or_default();
            assert!(math::distance2(left, given) < 1.0e-10, "{mount:?}: {given:?}");
        }
    }

    /// Worn with up and left learnt, without a word of the mounting.
    #[test]
    fn a_learnt_frame_gives_the_same_angles() {
        for mount in [[0.0; 3], [25.0, -15.0, 30.0], [-100.0, 10.0, -50.0]] {
            let mut frame = Frame::new(None);
            let level = read(mount, gravity(0.0, 0.0));
            let left = read(mount, [0.0, 1.0, 0.0]);
            assert!(!frame.known() && !frame.glimpsed());
            for minute in 1..=30 {
                frame.learn(level, Some(left), true, None);
                assert_eq!((frame.known(), frame.glimpsed()), (minute >= 5, minute >= 2));
            }
            for pitch in ANGLES_DEG {
                for roll in [-60.0, 0.0, 120.0] {
                    let g = gravity(pitch, roll);
                    let got = frame.attitude(read(mount, g));
                    assert!(apart_deg(got.pitch_deg, pitch) < 0.1, "{mount:?}: {got:?}");
                    assert!(apart_deg(got.roll_deg, roll) < 0.1, "{mount:?}: {got:?}");
                    let off_deg = g[2].acos().to_degrees();
                    assert!((f64::from(got.off_deg) - off_deg).abs() < 0.1, "{got:?}");
                }
            }
        }
    }

    /// Head and tail are told apart by the dives, where there is depth.
    #[test]
    fn rising_goes_with_the_head_up() {
        // Glued on the wrong way round.
        let mount = [0.0, 0.0, 180.0];
        let mut frame = Frame::new(None);
        let left = read(mount, [0.0, 1.0, 0.0]);
        for minute in 0..240 {
            let pitch = if minute % 20 < 10 { 15.0 } else { -15.0 };
            let depth_m = 30.0 - f64::from((minute % 20 - 10_i32).abs()) * -5.0;
            frame.learn(read(mount, gravity(pitch, 0.0)), Some(left), true, Some(depth_m as f32));
        }
        let got = frame.attitude(read(mount, gravity(20.0, 30.0)));
        assert!(apart_deg(got.pitch_deg, 20.0) < 3.0, "{got:?}");
        assert!(apart_deg(got.roll_deg, 30.0) < 3.0, "{got:?}");
    }

    #[test]
    fn upright_and_overturned_are_known_by_the_angle() {
        let mut frame = Frame::new(None);
        let at = |roll: f64| read([0.0; 3], gravity(0.0, roll));
        assert!(frame.upright(at(90.0)) && !frame.overturned(at(90.0)), "nothing is known yet");
        for _ in 0..10 {
            frame.learn(at(0.0), Some([0.0, 1.0, 0.0]), true, None);
        }
        // 25 and 75 degrees.
        for (roll, upright, overturned) in
            [(24.5, true, false), (25.5, false, false), (74.5, false, false), (75.5, false, true)]
        {
            let g = at(roll);
            assert_eq!((frame.upright(g), frame.overturned(g)), (upright, overturned), "{roll}");
        }
        frame.forget(at(75.5));
        assert!(frame.upright(at(75.5)) && !frame.known());
    }
}

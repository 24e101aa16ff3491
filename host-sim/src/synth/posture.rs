//! Posture of the body and mounting of the tag.
//!
//! Frames are right-handed: x towards the head, y towards the left flank, z
//! towards the back. `attitude` turns the levelled frame (x along the heading,
//! z up) into the body frame; a level animal at rest reads (0, 0, 1) g, pitch
//! is head up, roll is left flank up.

/// Standard gravity, m/s2 (CGPM 1901).
pub(crate) const STANDARD_GRAVITY: f64 = 9.80665;

pub(crate) type Vec3 = [f64; 3];

/// A rotation matrix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rotation(pub(crate) [Vec3; 3]);

impl Rotation {
    pub(crate) const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    pub(crate) fn apply(&self, v: Vec3) -> Vec3 {
        let m = &self.0;
        [
            m[0][0] * v[0] + m[0][1] * v[1] + m[0][2] * v[2],
            m[1][0] * v[0] + m[1][1] * v[1] + m[1][2] * v[2],
            m[2][0] * v[0] + m[2][1] * v[1] + m[2][2] * v[2],
        ]
    }

    /// This rotation after `first`.
    pub(crate) fn after(&self, first: &Self) -> Self {
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                *cell = (0..3).map(|k| self.0[i][k] * first.0[k][j]).sum();
            }
        }
        Self(out)
    }

    /// The way back.
    pub(crate) fn transposed(&self) -> Self {
        let m = &self.0;
        Self([
            [m[0][0], m[1][0], m[2][0]],
            [m[0][1], m[1][1], m[2][1]],
            [m[0][2], m[1][2], m[2][2]],
        ])
    }

    /// From a unit quaternion (w, x, y, z).
    pub(crate) fn from_quaternion([w, x, y, z]: [f64; 4]) -> Self {
        Self([
            [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
            [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
            [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
        ])
    }

    /// Roll, pitch and yaw in radians, as [`attitude`] takes them.
    pub(crate) fn angles(&self) -> (f64, f64, f64) {
        let m = &self.0;
        let pitch = m[0][2].clamp(-1.0, 1.0).asin();
        (m[1][2].atan2(m[2][2]), pitch, m[0][1].atan2(m[0][0]))
    }
}

/// From the levelled frame to a body that has yawed to the left, then pitched
/// head up, then rolled left flank up (radians). The same convention holds for
/// the mounting, from body to sensor.
pub(crate) fn attitude(roll: f64, pitch: f64, yaw: f64) -> Rotation {
    let (sr, cr) = roll.sin_cos();
    let (sp, cp) = pitch.sin_cos();
    if yaw == 0.0 {
        return Rotation([[cp, 0.0, sp], [sr * -sp, cr, sr * cp], [cr * -sp, -sr, cr * cp]]);
    }
    let (sy, cy) = yaw.sin_cos();
    let about_z = Rotation([[cy, sy, 0.0], [-sy, cy, 0.0], [0.0, 0.0, 1.0]]);
    let head_up = Rotation([[cp, 0.0, sp], [0.0, 1.0, 0.0], [-sp, 0.0, cp]]);
    let flank_up = Rotation([[1.0, 0.0, 0.0], [0.0, cr, sr], [0.0, -sr, cr]]);
    flank_up.after(&head_up).after(&about_z)
}

/// Follows a target as a critically damped second-order body does.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Follower {
    pub(crate) value: f64,
    rate: f64,
}

impl Follower {
    pub(crate) fn at(value: f64) -> Self {
        Self { value, rate: 0.0 }
    }

    /// One step of `dt_s` with natural frequency `omega` (rad/s).
    pub(crate) fn step(&mut self, target: f64, omega: f64, dt_s: f64) -> f64 {
        let force = omega * omega * (target - self.value) - 2.0 * omega * self.rate;
        self.rate += force * dt_s;
        self.value += self.rate * dt_s;
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pitch_and_roll_read_back_from_gravity() {
        for &(roll, pitch, yaw) in &[(0.3, 0.2, 1.0), (-1.2, -0.7, 2.0), (3.0, 0.1, -2.5)] {
            let r = attitude(roll, pitch, yaw);
            let g = r.apply([0.0, 0.0, 1.0]);
            assert!((g[0].atan2(g[1].hypot(g[2])) - pitch).abs() < 1e-12);
            assert!((g[1].atan2(g[2]) - roll).abs() < 1e-12);
            let (r2, p2, y2) = r.angles();
            assert!((r2 - roll).abs() + (p2 - pitch).abs() + (y2 - yaw).abs() < 1e-12);
            let back = r.transposed().after(&r);
            for i in 0..3 {
                for j in 0..3 {
                    assert!((back.0[i][j] - Rotation::IDENTITY.0[i][j]).abs() < 1e-12);
                }
            }
        }
    }

    #[test]
    fn left_flank_up_reads_positive_y() {
        let g = attitude(0.5, 0.0, 0.0).apply([0.0, 0.0, 1.0]);
        assert!((g[1] - 0.5_f64.sin()).abs() < 1e-12 && g[2] > 0.0);
    }
}

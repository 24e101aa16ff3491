//! A tag that has come off: floating antenna up, or lying on the bottom.
//!
//! Afloat it is a damped body about two level axes. It follows the surface,
//! so it feels the acceleration of the water there, and tends to stand along the
//! apparent vertical with a natural period and a damping of its own.

use super::draws::{Draws, Wander};
use super::posture::{Rotation, STANDARD_GRAVITY, Vec3, attitude};
use super::swell::Water;

/// How one package behaves once it is off.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Package {
    /// Nose-down pitch of the housing with its antenna up, and its roll, rad.
    pub(crate) upright_pitch: f64,
    pub(crate) upright_roll: f64,
    /// Natural period of its rocking, s, and damping ratio.
    pub(crate) period_s: f64,
    pub(crate) damping: f64,
    /// Rising or falling speed in water, m/s.
    pub(crate) speed_m_s: f64,
    /// Posture on the bottom (roll and pitch), rad.
    pub(crate) lying: (f64, f64),
}

impl Package {
    pub(crate) fn draw(d: &mut Draws) -> Self {
        Self {
            upright_pitch: -d.between(50.0, 85.0).to_radians(),
            upright_roll: d.between(-0.15, 0.15),
            period_s: d.between(0.9, 2.2),
            damping: d.between(0.12, 0.4),
            speed_m_s: d.between(0.35, 0.9),
            lying: (d.between(-3.1, 3.1), d.between(-1.2, 1.2)),
        }
    }
}

/// The package in motion.
#[derive(Clone, Debug)]
pub(crate) struct Loose {
    package: Package,
    tilt: [(f64, f64); 2],
    eddy: [Wander; 2],
    yaw: f64,
    yaw_rate: Wander,
}

impl Loose {
    pub(crate) fn new(package: Package, dt_s: f64, d: &mut Draws) -> Self {
        Self {
            package,
            // It starts well off its balance.
            tilt: [(d.between(-1.0, 1.0), 0.0), (d.between(-1.0, 1.0), 0.0)],
            eddy: [Wander::new(0.12, 0.8, dt_s), Wander::new(0.12, 0.8, dt_s)],
            yaw: d.angle(),
            yaw_rate: Wander::new(0.15, 8.0, dt_s),
        }
    }

    /// Specific force in the body frame, m/s2, while rising or afloat.
    pub(crate) fn afloat(
        &mut self,
        water: &Water,
        in_water: bool,
        dt_s: f64,
        d: &mut Draws,
    ) -> Vec3 {
        let p = self.package;
        let eddies = [self.eddy[0].step(d), self.eddy[1].step(d)];
        self.yaw += self.yaw_rate.step(d) * dt_s;
        let felt = [
            water.acceleration[0],
            water.acceleration[1],
            STANDARD_GRAVITY + water.acceleration[2],
        ];
        let omega = std::f64::consts::TAU / p.period_s;
        for i in 0..2 {
            // Lean of the apparent vertical; wakes and eddies besides.
            let eddy = if in_water { eddies[i] } else { 0.15 * eddies[i] };
            let lean = felt[i] / felt[2] + eddy;
            let (x, v) = self.tilt[i];
            let a = omega * omega * (lean - x) - 2.0 * p.damping * omega * v;
            self.tilt[i].1 = v + a * dt_s;
            self.tilt[i].0 = (x + self.tilt[i].1 * dt_s).clamp(-1.5, 1.5);
        }
        // A mast that leans towards +x sees the level frame pitched the other way.
        let lean = attitude(-self.tilt[1].0, -self.tilt[0].0, 0.0);
        let spin = attitude(0.0, 0.0, self.yaw);
        let housing = attitude(p.upright_roll, p.upright_pitch, 0.0);
        housing.after(&spin).after(&lean).apply(felt)
    }

    /// Specific force in the body frame, m/s2, while falling (wobbling) or lying still.
    pub(crate) fn sunk(&mut self, falling: bool, dt_s: f64, d: &mut Draws) -> Vec3 {
        let rest = attitude(self.package.lying.0, self.package.lying.1, 0.0);
        let down = [0.0, 0.0, STANDARD_GRAVITY];
        if !falling {
            return rest.apply(down);
        }
        self.yaw += self.yaw_rate.step(d) * dt_s;
        let wobble: Rotation = attitude(
            2.5 * self.eddy[0].step(d) + self.tilt[0].0,
            2.5 * self.eddy[1].step(d) + self.tilt[1].0,
            self.yaw,
        );
        wobble.after(&rest).apply(down)
    }
}

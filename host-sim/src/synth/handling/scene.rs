//! The places and hands that a package passes through, each with what shakes it there.
//!
//! Sizes and lengths are invented where no source stands beside them.

use crate::synth::draws::Draws;

/// A rhythm: mean frequency in Hz and size, rad or g.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Rhythm {
    pub(super) hz: f64,
    pub(super) size: f64,
}

/// Something that happens at random: mean time between, s, and size, g or rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Chance {
    pub(super) every_s: f64,
    pub(super) size: f64,
}

impl Chance {
    const NEVER: Self = Self { every_s: f64::INFINITY, size: 0.0 };
}

/// Where the package is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Place {
    /// Out of the water; hills change the reading by up to this much, m.
    Air { hills_m: f64 },
    /// In a vessel of water or on a line, this deep, m; still water.
    Held { below_m: f64 },
    /// In the sea at the surface, this deep on average, m.
    Sea { below_m: f64 },
    /// On the way up from where it was, m/s.
    Rising { speed_m_s: f64 },
}

impl Place {
    /// Whether there is water about it.
    pub(super) fn is_wet(self) -> bool {
        !matches!(self, Self::Air { .. })
    }
}

/// What carries the package.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Carrier {
    /// A surface, a box, a hand: it turns with that.
    Rest,
    /// A hook: it swings.
    Hook,
    /// The animal, on its own mount.
    Animal,
    /// Nothing: it floats as a package does.
    Float,
}

/// A stretch of time in one place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scene {
    pub(super) name: &'static str,
    pub(super) lasts_s: f64,
    pub(super) place: Place,
    pub(super) carrier: Carrier,
    /// Roll and pitch of what it lies in, Hz and rad (standard deviation).
    pub(super) tilt: [Rhythm; 2],
    /// Up and down of what it lies in, Hz and g (standard deviation).
    pub(super) bounce: Rhythm,
    /// Steps of a person, Hz and g.
    pub(super) steps: Rhythm,
    /// Broad shaking by an engine or a road, g (standard deviation).
    pub(super) rumble_g: f64,
    /// Slow level acceleration of curves and brakes, g, and how slow, s.
    pub(super) travel: (f64, f64),
    /// Mean time going and mean time stopped, s.
    pub(super) stops_s: Option<(f64, f64)>,
    /// Unsteadiness of a hand, g (standard deviation).
    pub(super) unsteady_g: f64,
    /// Turned over, by up to this angle.
    pub(super) turns: Chance,
    /// Knocks, taps, slams: peak in g.
    pub(super) knocks: Chance,
    /// Falls onto something hard: peak of the blow in g.
    pub(super) drops: Chance,
    /// Bursts of the animal's tail: swing in g.
    pub(super) bursts: Chance,
    /// Mean time between splashes, s.
    pub(super) splash_s: f64,
}

impl Scene {
    fn new(name: &'static str, lasts_s: f64) -> Self {
        Self {
            name,
            lasts_s,
            place: Place::Air { hills_m: 0.0 },
            carrier: Carrier::Rest,
            tilt: [Rhythm::default(); 2],
            bounce: Rhythm::default(),
            steps: Rhythm::default(),
            rumble_g: 0.0,
            travel: (0.0, 1.0),
            stops_s: None,
            unsteady_g: 0.0,
            turns: Chance::NEVER,
            knocks: Chance::NEVER,
            drops: Chance::NEVER,
            bursts: Chance::NEVER,
            splash_s: f64::INFINITY,
        }
    }

    /// Dead still; sometimes turned over once, sometimes somebody leans on the table.
    pub(super) fn bench(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("bench", lasts_s);
        if d.chance(0.3) {
            s.turns = Chance { every_s: lasts_s, size: std::f64::consts::PI };
        }
        if d.chance(0.5) {
            s.knocks =
                Chance { every_s: d.log_between(60.0, 2000.0), size: d.log_between(0.01, 0.2) };
        }
        s
    }

    /// Shut away and not touched at all.
    pub(super) fn drawer(lasts_s: f64) -> Self {
        Self::new("drawer", lasts_s)
    }

    /// Turned through its sides and tapped.
    pub(super) fn test(d: &mut Draws) -> Self {
        let mut s = Self::new("test", d.between(60.0, 400.0));
        s.turns = Chance { every_s: d.between(5.0, 25.0), size: std::f64::consts::PI };
        s.knocks = Chance { every_s: d.between(3.0, 60.0), size: d.between(0.3, 4.0) };
        s.unsteady_g = 0.003;
        s
    }

    /// Engine and road; curves and brakes of 0.05 to 0.4 g.
    pub(super) fn car(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("car", lasts_s);
        s.place = Place::Air { hills_m: d.between(0.0, 0.25) };
        s.rumble_g = d.log_between(0.01, 0.08);
        s.bounce = Rhythm { hz: d.between(1.1, 2.2), size: d.log_between(0.015, 0.1) };
        s.travel = (d.between(0.05, 0.16), d.log_between(0.4, 3.0));
        s.stops_s = Some((d.log_between(40.0, 900.0), d.between(10.0, 60.0)));
        s.knocks = Chance { every_s: d.log_between(10.0, 120.0), size: d.log_between(0.3, 2.0) };
        if d.chance(0.3) {
            s.turns = Chance { every_s: d.log_between(60.0, 1200.0), size: 1.5 };
        }
        s
    }

    /// In a bag, a hand or a pocket of somebody who walks: 1.5 to 2.2 steps a second.
    pub(super) fn walk(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("walk", lasts_s);
        s.steps = Rhythm { hz: d.between(1.5, 2.2), size: d.log_between(0.08, 0.4) };
        s.unsteady_g = d.log_between(0.01, 0.06);
        s.stops_s = Some((d.log_between(10.0, 200.0), d.between(3.0, 40.0)));
        s.turns = Chance { every_s: d.log_between(10.0, 300.0), size: d.between(0.3, 3.0) };
        s
    }

    /// A boat's roll and pitch: 2 to 12 deg at 2 to 8 s.
    fn afloat(&mut self, d: &mut Draws) {
        let period_s = d.log_between(2.0, 8.0);
        let size = d.between(2.0, 12.0).to_radians();
        let other = (period_s * d.between(0.6, 1.6)).clamp(2.0, 8.0);
        self.tilt = [
            Rhythm { hz: 1.0 / period_s, size: 0.7 * size },
            Rhythm { hz: 1.0 / other, size: 0.7 * size * d.between(0.2, 0.8) },
        ];
        self.bounce = Rhythm { hz: 1.0 / other, size: d.log_between(0.01, 0.08) };
    }

    /// On a boat under way: slams and an engine.
    pub(super) fn under_way(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("under way", lasts_s);
        s.afloat(d);
        s.bounce = Rhythm { hz: d.between(0.3, 1.4), size: d.log_between(0.03, 0.25) };
        s.rumble_g = d.log_between(0.01, 0.15);
        s.travel = (d.between(0.02, 0.08), d.log_between(1.0, 6.0));
        s.knocks = Chance { every_s: d.log_between(2.0, 60.0), size: d.log_between(0.3, 4.0) };
        s.splash_s = d.log_between(60.0, 3000.0);
        s.held_how(d);
        s
    }

    /// On a drifting boat: in a box, on a hook, or in a pocket.
    pub(super) fn deck(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("deck", lasts_s);
        s.afloat(d);
        if d.chance(0.5) {
            s.rumble_g = d.log_between(0.002, 0.03);
        }
        s.knocks = Chance { every_s: d.log_between(10.0, 900.0), size: d.log_between(0.05, 1.5) };
        s.splash_s = d.log_between(100.0, 10_000.0);
        s.held_how(d);
        s
    }

    /// Lying, hanging or in a pocket.
    fn held_how(&mut self, d: &mut Draws) {
        if d.chance(0.15) {
            self.carrier = Carrier::Hook;
        } else if d.chance(0.2) {
            self.unsteady_g = d.log_between(0.01, 0.05);
            self.steps = Rhythm { hz: d.between(1.5, 2.2), size: d.between(0.05, 0.25) };
            self.stops_s = Some((d.between(3.0, 15.0), d.log_between(20.0, 300.0)));
            self.turns = Chance { every_s: d.log_between(15.0, 200.0), size: 1.0 };
        } else if d.chance(0.3) {
            // It slides about in its box.
            self.turns = Chance { every_s: d.log_between(20.0, 600.0), size: 0.8 };
        }
    }

    /// Turned about in hands, sometimes dropped.
    pub(super) fn hands(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("hands", lasts_s);
        s.afloat(d);
        s.tilt.iter_mut().for_each(|t| t.size *= 0.5);
        s.unsteady_g = d.log_between(0.02, 0.15);
        s.turns = Chance { every_s: d.log_between(1.5, 15.0), size: d.between(0.5, 3.1) };
        s.knocks = Chance { every_s: d.log_between(4.0, 60.0), size: d.log_between(0.2, 3.0) };
        if d.chance(0.3) {
            s.drops = Chance { every_s: lasts_s, size: d.log_between(3.0, 14.0) };
        }
        s
    }

    /// In a bucket or a rinse, 0 to 0.5 m deep, with little waves.
    pub(super) fn bucket(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("bucket", lasts_s);
        s.afloat(d);
        s.place = Place::Held { below_m: d.between(0.02, 0.45) };
        s.unsteady_g = d.log_between(0.002, 0.03);
        s.turns = Chance { every_s: d.log_between(10.0, 400.0), size: 1.5 };
        s.knocks = Chance { every_s: d.log_between(20.0, 600.0), size: d.log_between(0.05, 0.8) };
        s
    }

    /// On a line at 0.5 to 5 m, to see that it counts.
    pub(super) fn dunk(d: &mut Draws) -> Self {
        let mut s = Self::new("dunk", d.log_between(10.0, 180.0));
        s.place = Place::Held { below_m: d.between(0.5, 5.0) };
        s.carrier = Carrier::Hook;
        s.unsteady_g = d.log_between(0.01, 0.06);
        s
    }

    /// On the animal, which lies on deck or in a cradle: struggles and quiet spells.
    pub(super) fn fixed(name: &'static str, lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new(name, lasts_s);
        s.afloat(d);
        s.carrier = Carrier::Animal;
        s.unsteady_g = d.log_between(0.01, 0.08);
        s.bursts = Chance { every_s: d.log_between(8.0, 150.0), size: d.log_between(0.1, 1.2) };
        s.turns = Chance { every_s: d.log_between(30.0, 600.0), size: std::f64::consts::PI };
        s.knocks = Chance { every_s: d.log_between(2.0, 40.0), size: d.log_between(0.1, 2.5) };
        s.splash_s = d.log_between(15.0, 1000.0);
        s
    }

    /// On the animal at the boat's side, held or towed, 0 to 1 m deep.
    pub(super) fn alongside(lasts_s: f64, d: &mut Draws) -> Self {
        let mut s = Self::new("alongside", lasts_s);
        s.place = Place::Sea { below_m: d.between(0.1, 0.8) };
        s.carrier = Carrier::Animal;
        s.tilt = [0, 1].map(|_| Rhythm {
            hz: 1.0 / d.log_between(2.0, 6.0),
            size: d.between(1.0, 8.0).to_radians(),
        });
        s.unsteady_g = d.log_between(0.01, 0.08);
        s.bursts = Chance { every_s: d.log_between(6.0, 120.0), size: d.log_between(0.05, 0.9) };
        s.turns = Chance { every_s: d.log_between(40.0, 600.0), size: std::f64::consts::PI };
        s.knocks = Chance { every_s: d.log_between(5.0, 90.0), size: d.log_between(0.05, 1.5) };
        if d.chance(0.5) {
            s.name = "towed";
            s.rumble_g = d.log_between(0.004, 0.03);
            s.travel = (d.between(0.01, 0.05), d.between(0.5, 3.0));
        }
        s
    }

    /// Afloat without the animal; on its way up at first.
    pub(super) fn floating(lasts_s: f64) -> Self {
        let mut s = Self::new("floating", lasts_s);
        s.place = Place::Sea { below_m: 0.1 };
        s.carrier = Carrier::Float;
        s
    }

    /// The package on its own, rising to the surface from `below_m` at `speed_m_s`.
    pub(super) fn rising(below_m: f64, speed_m_s: f64) -> Self {
        let mut s = Self::new("rising", below_m / speed_m_s);
        s.place = Place::Rising { speed_m_s };
        s.carrier = Carrier::Float;
        s
    }

    /// Pulled up from `below_m` on a line, the animal fighting where `on_animal`.
    pub(super) fn hauled(below_m: f64, on_animal: bool, d: &mut Draws) -> Self {
        let speed_m_s = d.log_between(0.1, 0.7);
        let mut s = Self::new("hauled", (below_m / speed_m_s).clamp(5.0, 3600.0));
        s.place = Place::Rising { speed_m_s: below_m / s.lasts_s };
        s.carrier = if on_animal { Carrier::Animal } else { Carrier::Hook };
        s.unsteady_g = d.log_between(0.02, 0.15);
        if on_animal {
            s.bursts = Chance { every_s: d.log_between(4.0, 40.0), size: d.log_between(0.1, 0.8) };
            s.turns = Chance { every_s: d.log_between(10.0, 90.0), size: 2.0 };
        }
        s
    }
}

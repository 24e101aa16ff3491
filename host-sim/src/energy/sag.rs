//! How far a pulse pulls the voltage down: a source with internal resistance `R`,
//! and across it, where there is one, a capacitor `C` with series resistance `Rc`.
//!
//! With `u` the voltage missing on the capacitor and a constant current `I`,
//!
//! ```text
//! sag(t) = I R Rc/(R + Rc) + u(t) R/(R + Rc)
//! u(t)   = I R + (u(0) - I R) exp(-t/tau),    tau = (R + Rc) C
//! ```
//!
//! Without a capacitor the sag is `I R`. Pulses that come again before the
//! capacitor has filled are followed to their steady repetition, in closed form.

/// The battery as a pulse sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Source {
    /// Internal resistance, ohm.
    pub ohm: f64,
    /// Capacitor across it, F; 0: none.
    pub farad: f64,
    /// Series resistance of the capacitor, ohm.
    pub esr_ohm: f64,
}

impl Source {
    /// Greatest sag, V, while pulses of `steps` ([length in s, current in mA]) come
    /// every `period_s` (infinite: once) on a steady current of `base_ma`.
    pub fn worst_sag_v(&self, base_ma: f64, steps: &[[f64; 2]], period_s: f64) -> f64 {
        let steady = base_ma * 1e-3 * self.ohm;
        if self.farad <= 0.0 || self.ohm <= 0.0 {
            let peak = steps.iter().map(|s| s[1]).fold(0.0, f64::max);
            return steady + peak * 1e-3 * self.ohm;
        }
        let tau = (self.ohm + self.esr_ohm) * self.farad;
        // One period maps u to `keep * u + gain`; its fixed point is the start.
        let (mut keep, mut gain, mut length) = (1.0, 0.0, 0.0);
        for [step_s, ma] in steps {
            let k = (-step_s / tau).exp();
            gain = gain * k + ma * 1e-3 * self.ohm * (1.0 - k);
            keep *= k;
            length += step_s;
        }
        let rest = (-(period_s - length).max(0.0) / tau).exp();
        let (keep, gain) = (keep * rest, gain * rest);
        let mut u = if keep < 1.0 { gain / (1.0 - keep) } else { 0.0 };
        let divided = self.ohm / (self.ohm + self.esr_ohm);
        let mut worst: f64 = 0.0;
        for [step_s, ma] in steps {
            let amp = ma * 1e-3;
            let at_once = amp * self.esr_ohm * divided;
            worst = worst.max(at_once + u * divided);
            u = amp * self.ohm + (u - amp * self.ohm) * (-step_s / tau).exp();
            worst = worst.max(at_once + u * divided);
        }
        steady + worst
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_pulse_is_the_closed_form() {
        let source = Source { ohm: 20.0, farad: 0.05, esr_ohm: 0.5 };
        let tau: f64 = 20.5 * 0.05;
        for (s, ma) in [(0.36_f64, 400.0), (0.01, 30.0), (10.0, 5.0)] {
            let i = ma * 1e-3;
            let want = i * 20.0 * (1.0 - 20.0 / 20.5 * (-s / tau).exp());
            let got = source.worst_sag_v(0.0, &[[s, ma]], f64::INFINITY);
            assert!((got / want - 1.0).abs() < 1e-12, "{got} {want}");
        }
    }

    #[test]
    fn without_a_capacitor_it_is_ohms_law() {
        let source = Source { ohm: 15.0, farad: 0.0, esr_ohm: 0.0 };
        assert!((source.worst_sag_v(2.0, &[[0.1, 100.0]], 60.0) - 1.53).abs() < 1e-12);
    }

    #[test]
    fn repetition_is_where_stepping_ends() {
        let source = Source { ohm: 50.0, farad: 0.1, esr_ohm: 0.2 };
        let steps = [[0.2, 30.0], [0.5, 200.0], [0.1, 10.0]];
        let (period, dt) = (3.0, 1e-4);
        let (mut u, mut worst): (f64, f64) = (0.0, 0.0);
        for n in 0..900_000_u32 {
            let t = f64::from(n) * dt;
            let in_period = t % period;
            let mut at = in_period;
            let mut ma = 0.0;
            for [s, level] in steps {
                if at < s {
                    ma = level;
                    break;
                }
                at -= s;
            }
            let sag = ma * 1e-3 * (50.0 * 0.2 / 50.2) + u * 50.0 / 50.2;
            if t > 80.0 {
                worst = worst.max(sag);
            }
            u += dt * (sag - u) / (0.2 * 0.1);
        }
        let got = source.worst_sag_v(0.0, &steps, period);
        assert!((got / worst - 1.0).abs() < 2e-3, "{got} {worst}");
    }
}

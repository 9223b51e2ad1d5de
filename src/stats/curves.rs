//! The curves that projections, rate laws and the checks of the solver fit.

use super::nonlinear::Curve;

/// Rectangular hyperbola `y = limit·k·x/(1 + k·x)`; parameters `[limit, k]` (Kondner, Chin; NIST Misra1d).
#[derive(Debug, Clone, Copy)]
pub struct Hyperbola;

impl Curve for Hyperbola {
    fn len(&self) -> usize {
        2
    }

    fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        let below = 1.0 + p[1] * x;
        gradient[0] = p[1] * x / below;
        gradient[1] = p[0] * x / (below * below);
        p[0] * gradient[0]
    }
}

/// Exponential approach `y = limit·(1 − exp(−k·x))`; parameters `[limit, k]` (Van der Veen; NIST Misra1a, BoxBOD).
#[derive(Debug, Clone, Copy)]
pub struct Approach;

impl Curve for Approach {
    fn len(&self) -> usize {
        2
    }

    fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        let left = libm::exp(-p[1] * x);
        gradient[0] = -libm::expm1(-p[1] * x);
        gradient[1] = p[0] * x * left;
        p[0] * gradient[0]
    }
}

/// Growth `y = base·exp(k·x)`; parameters `[base, k]`: slip rate or creep against load.
#[derive(Debug, Clone, Copy)]
pub struct Growth;

impl Curve for Growth {
    fn len(&self) -> usize {
        2
    }

    fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        let growth = libm::exp(p[1] * x);
        gradient[0] = growth;
        gradient[1] = p[0] * x * growth;
        p[0] * growth
    }
}

/// Power law `y = factor·x^exponent`; parameters `[factor, exponent]` (toe of a stretch curve; NIST DanWood).
#[derive(Debug, Clone, Copy)]
pub struct Power;

impl Curve for Power {
    fn len(&self) -> usize {
        2
    }

    fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        if x <= 0.0 {
            gradient[..2].fill(0.0);
            return 0.0;
        }
        gradient[0] = libm::pow(x, p[1]);
        let value = p[0] * gradient[0];
        gradient[1] = value * libm::log(x);
        value
    }
}

/// Sum of decays, with or without a constant: `y = [c] + Σ aᵢ·exp(−kᵢ·x)`; parameters `[c,] a₁, k₁, a₂, k₂, …`
/// (retardation over seconds to an hour; NIST Lanczos3 without, MGH17 with a constant).
#[derive(Debug, Clone, Copy)]
pub struct Decays {
    /// Number of exponentials.
    pub terms: usize,
    /// Whether a constant is the first parameter.
    pub constant: bool,
}

impl Curve for Decays {
    fn len(&self) -> usize {
        2 * self.terms + usize::from(self.constant)
    }

    fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        let mut value = 0.0;
        let first = usize::from(self.constant);
        if self.constant {
            value = p[0];
            gradient[0] = 1.0;
        }
        for i in (first..self.len()).step_by(2) {
            let decay = libm::exp(-p[i + 1] * x);
            gradient[i] = decay;
            gradient[i + 1] = -p[i] * x * decay;
            value += p[i] * decay;
        }
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every gradient against a central difference, whose own error is below 1e-7 here.
    #[test]
    fn gradients_are_those_of_the_values() {
        fn check<C: Curve>(curve: &C, x: f64, p: &[f64]) {
            let mut gradient = vec![0.0; p.len()];
            let mut unused = vec![0.0; p.len()];
            curve.value(x, p, &mut gradient);
            for i in 0..p.len() {
                let step = 1e-5 * p[i].abs();
                let (mut up, mut down) = (p.to_vec(), p.to_vec());
                up[i] += step;
                down[i] -= step;
                let slope = (curve.value(x, &up, &mut unused) - curve.value(x, &down, &mut unused))
                    / (2.0 * step);
                assert!((slope - gradient[i]).abs() <= 1e-7 * slope.abs().max(1.0));
            }
        }
        check(&Hyperbola, 1.3, &[2.0, 0.7]);
        check(&Approach, 1.3, &[2.0, 0.7]);
        check(&Growth, 1.3, &[2.0, 0.7]);
        check(&Power, 1.3, &[2.0, 0.7]);
        let p = [0.5, 2.0, 0.7, -1.0, 1.9];
        check(
            &Decays {
                terms: 2,
                constant: true,
            },
            1.3,
            &p,
        );
        check(
            &Decays {
                terms: 2,
                constant: false,
            },
            1.3,
            &p[1..],
        );
    }
}

//! Where a continuous function crosses zero.
//!
//! Source: Brent 1973, Algorithms for Minimization without Derivatives, Prentice-Hall, chapter 4
//! (bisection, secant and inverse quadratic steps, whichever is safe); from memory, verified below.

/// The root of a function between two places at which its values have opposite signs (or one of
/// them is zero), to an absolute tolerance of about `tolerance`; `None` if the signs agree or a
/// value is not a number.
pub fn between(
    mut function: impl FnMut(f64) -> f64,
    from: f64,
    to: f64,
    tolerance: f64,
) -> Option<f64> {
    // b is the best guess, a the one before it, c the end of the bracket beyond the root.
    let (mut a, mut b) = (from, to);
    let (mut at_a, mut at_b) = (function(a), function(b));
    if at_a.is_nan() || at_b.is_nan() || at_a * at_b > 0.0 {
        return None;
    }
    let (mut c, mut at_c) = (a, at_a);
    let mut step = b - a;
    let mut step_before = step;
    for _ in 0..200 {
        if at_b * at_c > 0.0 {
            (c, at_c) = (a, at_a);
            step = b - a;
            step_before = step;
        }
        if at_c.abs() < at_b.abs() {
            (a, b, c) = (b, c, b);
            (at_a, at_b, at_c) = (at_b, at_c, at_b);
        }
        let least = 2.0 * f64::EPSILON * b.abs() + 0.5 * tolerance;
        let half = 0.5 * (c - b);
        if half.abs() <= least || at_b.abs() == 0.0 {
            return Some(b);
        }
        if step_before.abs() >= least && at_a.abs() > at_b.abs() {
            let s = at_b / at_a;
            let (mut p, mut q) = if (a - c).abs() == 0.0 {
                (2.0 * half * s, 1.0 - s)
            } else {
                let (q, r) = (at_a / at_c, at_b / at_c);
                (
                    s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)),
                    (q - 1.0) * (r - 1.0) * (s - 1.0),
                )
            };
            if p > 0.0 {
                q = -q;
            } else {
                p = -p;
            }
            let safe = (3.0 * half * q - (least * q).abs()).min((step_before * q).abs());
            if 2.0 * p < safe {
                step_before = step;
                step = p / q;
            } else {
                step = half;
                step_before = half;
            }
        } else {
            step = half;
            step_before = half;
        }
        (a, at_a) = (b, at_b);
        b += if step.abs() > least {
            step
        } else {
            least.copysign(half)
        };
        at_b = function(b);
        if at_b.is_nan() {
            return None;
        }
    }
    Some(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Function, limits, root.
    type Case = (fn(f64) -> f64, f64, f64, f64);

    #[test]
    fn known_roots_are_found() {
        // Textbook roots.
        let cases: [Case; 5] = [
            (|x| x * x - 2.0, 0.0, 2.0, std::f64::consts::SQRT_2),
            (|x| x * x * x, -1.0, 3.0, 0.0),
            (|x| x.cos() - x, 0.0, 1.0, 0.739_085_133_215_160_6),
            (
                |x| (x - 3.0).signum() * (x - 3.0).abs().sqrt(),
                0.0,
                10.0,
                3.0,
            ),
            (|x| x.exp() - 1e-9, -50.0, 1.0, -20.723_265_836_946_41),
        ];
        for (function, from, to, root) in cases {
            let mut evaluations = 0;
            let counted = |x| {
                evaluations += 1;
                function(x)
            };
            let got = between(counted, from, to, 1e-12).unwrap();
            assert!((got - root).abs() < 1e-11, "{got} for {root}");
            assert!(evaluations < 130, "{evaluations}");
        }
    }

    #[test]
    fn a_root_at_an_end_is_found_and_equal_signs_are_refused() {
        assert_eq!(between(|x| x, 0.0, 1.0, 1e-12), Some(0.0));
        assert_eq!(between(|x| x - 1.0, 0.0, 1.0, 1e-12), Some(1.0));
        assert_eq!(between(|x| x + 1.0, 0.0, 1.0, 1e-12), None);
        assert_eq!(between(|_| f64::NAN, 0.0, 1.0, 1e-12), None);
    }
}

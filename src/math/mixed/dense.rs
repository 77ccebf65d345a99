//! Small triangular systems, row by row. `M` is the number of rows where it is known when compiled
//! (which unrolls the loops), else 0.

/// The number of rows, known beforehand or not.
pub(super) const fn known<const M: usize>(m: usize) -> usize {
    if M > 0 { M } else { m }
}

/// `A = L L'` in place, below the diagonal; false if A is not positive definite.
#[inline]
pub(super) fn cholesky<const M: usize>(lower: &mut [f64], m: usize) -> bool {
    let m = known::<M>(m);
    let lower = &mut lower[..m * m];
    for a in 0..m {
        for b in 0..=a {
            let known: f64 = (0..b).map(|k| lower[a * m + k] * lower[b * m + k]).sum();
            let left = lower[a * m + b] - known;
            if a == b {
                // Not above: a pivot that is not a number fails too.
                let positive = left > 0.0;
                if !positive {
                    return false;
                }
                lower[a * m + a] = left.sqrt();
            } else {
                lower[a * m + b] = left / lower[b * m + b];
            }
        }
    }
    true
}

/// `L^-1 v` in place.
#[inline]
pub(super) fn forward<const M: usize>(lower: &[f64], v: &mut [f64]) {
    let m = known::<M>(v.len());
    let (lower, v) = (&lower[..m * m], &mut v[..m]);
    for a in 0..m {
        let known: f64 = (0..a).map(|k| lower[a * m + k] * v[k]).sum();
        v[a] = (v[a] - known) / lower[a * m + a];
    }
}

/// `L'^-1 v` in place, for the first values of an L of `m` rows.
pub(super) fn backward_transposed(lower: &[f64], m: usize, v: &mut [f64]) {
    for a in (0..v.len()).rev() {
        let known: f64 = (a + 1..v.len()).map(|k| lower[k * m + a] * v[k]).sum();
        v[a] = (v[a] - known) / lower[a * m + a];
    }
}

/// `R^-1 v` in place.
pub(super) fn backward(factor: &[f64], p: usize, v: &mut [f64]) {
    for a in (0..p).rev() {
        let known: f64 = (a + 1..p).map(|k| factor[a * p + k] * v[k]).sum();
        v[a] = (v[a] - known) / factor[a * p + a];
    }
}

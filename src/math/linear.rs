//! Linear least squares by Householder reflections.
//!
//! ```text
//! minimise sum w (y - X b)^2      [sqrt(W) X | sqrt(W) y] = Q [R | q],   R b = q
//! covariance of b = s2 (R'R)^-1,  s2 = RSS / (n - p)
//! ```
//! Source: Golub & Van Loan, Matrix Computations, Householder QR (from memory). Written here, not
//! taken from a library, because curves are fitted many thousand times and the reflections run in
//! a buffer that is used again; the NIST linear reference sets are the proof.

/// A least-squares solution.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    /// One coefficient per column.
    pub coefficients: Vec<f64>,
    /// `(R'R)^-1`, row by row; times the residual variance it is the covariance.
    pub inverse_cross_product: Vec<f64>,
    /// Weighted residual sum of squares.
    pub residual_ss: f64,
}

impl Solution {
    /// Residual variance with `n` observations; `None` without degrees of freedom.
    pub fn residual_variance(&self, n: usize) -> Option<f64> {
        let df = n
            .checked_sub(self.coefficients.len())
            .filter(|df| *df > 0)?;
        Some(self.residual_ss / df as f64)
    }

    /// Standard errors of the coefficients.
    pub fn std_errors(&self, n: usize) -> Option<Vec<f64>> {
        let variance = self.residual_variance(n)?;
        let p = self.coefficients.len();
        let diagonal = (0..p).map(|j| self.inverse_cross_product[j * p + j]);
        Some(diagonal.map(|value| (variance * value).sqrt()).collect())
    }
}

/// Least squares of `y` on the rows of `x` (`p` values each, row by row). `None` if the columns
/// are collinear to working precision, there are fewer rows than columns, or a value is not
/// finite.
pub fn least_squares(x: &[f64], y: &[f64], weights: Option<&[f64]>, p: usize) -> Option<Solution> {
    let n = y.len();
    let width = p + 1;
    let mut matrix = Vec::with_capacity(n * width);
    for i in 0..n {
        let root = weights.map_or(1.0, |w| w[i].sqrt());
        matrix.extend(x[i * p..(i + 1) * p].iter().map(|value| value * root));
        matrix.push(y[i] * root);
    }
    if n < p || !triangularise(&mut matrix, n, p) {
        return None;
    }
    let mut coefficients = vec![0.0; p];
    back_substitute(&matrix, p, &mut coefficients);
    let residual_ss = (0..n)
        .map(|i| {
            let fitted: f64 = x[i * p..(i + 1) * p]
                .iter()
                .zip(&coefficients)
                .map(|(a, b)| a * b)
                .sum();
            weights.map_or(1.0, |w| w[i]) * (y[i] - fitted) * (y[i] - fitted)
        })
        .sum();
    let inverse_cross_product = inverse_cross_product(&matrix, p);
    Some(Solution {
        coefficients,
        inverse_cross_product,
        residual_ss,
    })
}

/// Turns `[A | b]` (`n` rows of `p + 1`, row by row) into `[R | q]` in place. Says whether the
/// columns are independent to working precision and everything is finite. What lies below the first
/// `p` rows is of no use afterwards.
pub(super) fn triangularise(matrix: &mut [f64], n: usize, p: usize) -> bool {
    // Loops of a known length are unrolled: curves have two or three parameters.
    match p {
        2 => reflect::<2>(matrix, n, p),
        3 => reflect::<3>(matrix, n, p),
        _ => reflect::<0>(matrix, n, p),
    }
}

/// Widths for which the sums of a reflection need no memory of their own.
const NARROW: usize = 4;

/// The reflections; `P` is the number of columns where it is known beforehand, else 0.
fn reflect<const P: usize>(matrix: &mut [f64], n: usize, p: usize) -> bool {
    let p = if P > 0 { P } else { p };
    let width = p + 1;
    let mut narrow = [0.0; NARROW];
    let mut wide = Vec::new();
    let sums = if width <= NARROW {
        &mut narrow[..width]
    } else {
        wide.resize(width, 0.0);
        &mut wide[..]
    };
    let mut largest = largest_of(matrix.chunks_exact(width).take(n).map(|row| row[0]));
    for k in 0..p {
        let (above, below) = matrix[..n * width].split_at_mut(k * width);
        let norm = norm_of(below.chunks_exact(width).map(|row| row[k]), largest);
        if !norm.is_finite() || norm == 0.0 {
            return false;
        }
        // The norm of the whole column is at most this.
        let most = norm
            + above
                .chunks_exact(width)
                .map(|row| row[k].abs())
                .sum::<f64>();
        let clearly_independent = norm > 16.0 * most * f64::EPSILON;
        if !clearly_independent {
            let column = matrix.chunks_exact(width).take(n).map(|row| row[k]);
            let whole = norm_of(column.clone(), largest_of(column));
            if norm <= 8.0 * whole * f64::EPSILON {
                return false;
            }
        }
        let (head_row, rest) = matrix[k * width..n * width].split_at_mut(width);
        let pivot = head_row[k];
        let reflected = if pivot > 0.0 { -norm } else { norm };
        // v = column - reflected e_k: its head, and the column below the diagonal.
        let head = pivot - reflected;
        for (sum, value) in sums.iter_mut().zip(&*head_row) {
            *sum = head * value;
        }
        for row in rest.chunks_exact(width) {
            let v = row[k];
            for (sum, value) in sums.iter_mut().zip(row) {
                *sum += v * value;
            }
        }
        // v'v = -2 reflected head ... so 2 / v'v = -1 / (reflected head). The columns up to this
        // one are done with and stay.
        for (j, sum) in sums.iter_mut().enumerate() {
            *sum = if j > k {
                -*sum / (reflected * head)
            } else {
                0.0
            };
        }
        for (value, factor) in head_row.iter_mut().zip(&*sums) {
            *value -= factor * head;
        }
        largest = 0.0;
        for row in rest.chunks_exact_mut(width) {
            let v = row[k];
            for (value, factor) in row.iter_mut().zip(&*sums) {
                *value -= factor * v;
            }
            largest = larger(largest, row[k + 1]);
        }
        head_row[k] = reflected;
        for row in rest.chunks_exact_mut(width).take(p - k - 1) {
            row[k] = 0.0;
        }
    }
    let values = matrix.chunks_exact(width).take(n.min(p));
    values.map(|row| row[p]).all(f64::is_finite)
}

/// The larger of two sizes; what is not a number counts for nothing.
fn larger(size: f64, value: f64) -> f64 {
    let other = value.abs();
    if other > size { other } else { size }
}

fn largest_of(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, larger)
}

/// Norm of values, scaled by the largest so that squares neither overflow nor vanish.
fn norm_of(values: impl Iterator<Item = f64>, largest: f64) -> f64 {
    if largest == 0.0 || !largest.is_finite() {
        return largest;
    }
    let sum: f64 = values.map(|value| (value / largest).powi(2)).sum();
    largest * sum.sqrt()
}

/// Solves `R b = q` for a triangularised matrix.
#[inline]
pub(super) fn back_substitute(matrix: &[f64], p: usize, solution: &mut [f64]) {
    let width = p + 1;
    for k in (0..p).rev() {
        let known: f64 = (k + 1..p)
            .map(|j| matrix[k * width + j] * solution[j])
            .sum();
        solution[k] = (matrix[k * width + p] - known) / matrix[k * width + k];
    }
}

/// The lower triangle `L` with `L L'` the symmetric matrix (row by row), which must not be negative
/// definite in any direction; a direction without extent gets zeros.
///
/// Source: Golub & Van Loan, Matrix Computations, Cholesky factorisation (from memory).
pub fn cholesky(matrix: &[f64]) -> Vec<f64> {
    let p = matrix.len().isqrt();
    let mut root = vec![0.0; p * p];
    for j in 0..p {
        for i in j..p {
            let known: f64 = (0..j).map(|k| root[i * p + k] * root[j * p + k]).sum();
            let rest = matrix[i * p + j] - known;
            root[i * p + j] = if i == j {
                // What is left of a diagonal by rounding alone counts as nothing.
                let rounding = 8.0 * f64::EPSILON * matrix[j * p + j];
                if rest > rounding { rest.sqrt() } else { 0.0 }
            } else if root[j * p + j] > 0.0 {
                rest / root[j * p + j]
            } else {
                0.0
            };
        }
    }
    root
}

/// `(R'R)^-1` of a triangularised matrix, row by row.
pub(super) fn inverse_cross_product(matrix: &[f64], p: usize) -> Vec<f64> {
    let width = p + 1;
    // Inverse of R, column by column.
    let mut inverse = vec![0.0; p * p];
    for j in 0..p {
        inverse[j * p + j] = 1.0 / matrix[j * width + j];
        for i in (0..j).rev() {
            let known: f64 = (i + 1..=j)
                .map(|k| matrix[i * width + k] * inverse[k * p + j])
                .sum();
            inverse[i * p + j] = -known / matrix[i * width + i];
        }
    }
    let mut product = vec![0.0; p * p];
    for i in 0..p {
        for j in 0..p {
            let from = i.max(j);
            product[i * p + j] = (from..p)
                .map(|k| inverse[i * p + k] * inverse[j * p + k])
                .sum();
        }
    }
    product
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_is_found_exactly() {
        let x = [1.0, 1.0, 1.0, 2.0, 1.0, 3.0];
        let solution = least_squares(&x, &[3.0, 5.0, 7.0], None, 2).unwrap();
        assert!((solution.coefficients[0] - 1.0).abs() < 1e-14);
        assert!((solution.coefficients[1] - 2.0).abs() < 1e-14);
        assert!(solution.residual_ss < 1e-28);
    }

    #[test]
    fn weights_repeat_observations() {
        let once = least_squares(
            &[1.0, 1.0, 1.0, 2.0, 1.0, 4.0],
            &[1.0, 3.0, 2.0],
            Some(&[1.0, 2.0, 1.0]),
            2,
        )
        .unwrap();
        let twice = least_squares(
            &[1.0, 1.0, 1.0, 2.0, 1.0, 2.0, 1.0, 4.0],
            &[1.0, 3.0, 3.0, 2.0],
            None,
            2,
        )
        .unwrap();
        for (a, b) in once.coefficients.iter().zip(&twice.coefficients) {
            assert!((a - b).abs() < 1e-14);
        }
    }

    #[test]
    fn a_triangle_squared_is_the_matrix() {
        let matrix = [4.0, 2.0, -2.0, 2.0, 10.0, 2.0, -2.0, 2.0, 5.0];
        let root = cholesky(&matrix);
        // By hand: (2), (1, 3), (-1, 1, root 3).
        let by_hand = [2.0, 0.0, 0.0, 1.0, 3.0, 0.0, -1.0, 1.0, 3.0_f64.sqrt()];
        for (ours, theirs) in root.iter().zip(by_hand) {
            assert!((ours - theirs).abs() < 1e-14, "{root:?}");
        }
        // Of rank one: the second direction has no extent.
        assert_eq!(cholesky(&[4.0, 6.0, 6.0, 9.0]), [2.0, 0.0, 3.0, 0.0]);
        assert_eq!(cholesky(&[]), [0.0; 0]);
    }

    #[test]
    fn collinear_or_infinite_columns_are_refused() {
        assert_eq!(
            least_squares(&[1.0, 2.0, 2.0, 4.0, 3.0, 6.0], &[1.0, 2.0, 4.0], None, 2),
            None
        );
        assert_eq!(least_squares(&[0.0, 0.0], &[1.0, 2.0], None, 1), None);
        assert_eq!(least_squares(&[f64::NAN, 1.0], &[1.0, 2.0], None, 1), None);
        assert_eq!(least_squares(&[1.0, 2.0], &[1.0], None, 2), None);
    }
}

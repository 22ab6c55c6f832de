//! The modes of a network: what runs alone when everything runs together.

use super::Network;

/// A network taken apart. Matrices are stored row by row.
#[derive(Clone, Debug)]
pub(super) struct Modes {
    /// Rate of each mode, 1/s, not below zero.
    pub rates: Vec<f64>,
    /// `C^(−½)·Q`: node temperatures from modes.
    pub nodes: Vec<f64>,
    /// `Qᵀ·C^½`: modes from node temperatures.
    pub coordinates: Vec<f64>,
    /// `Qᵀ·C^(−½)`: drive of each mode from heat into each node.
    pub heat: Vec<f64>,
    /// Drive of each mode from each boundary's temperature: one row a boundary.
    pub boundaries: Vec<f64>,
}

impl Modes {
    /// The modes of `network`.
    pub fn of(network: &Network) -> Modes {
        let n = network.nodes();
        let roots: Vec<f64> = network.capacities.iter().map(|c| c.sqrt()).collect();
        let mut scaled = vec![0.0; n * n];
        for &(a, b, g) in &network.links {
            for (i, j) in [(a, b), (b, a)] {
                scaled[i * n + i] += g / network.capacities[i];
                scaled[i * n + j] -= g / (roots[i] * roots[j]);
            }
        }
        for &(i, _, g) in &network.losses {
            scaled[i * n + i] += g / network.capacities[i];
        }
        let vectors = diagonalise(&mut scaled, n);
        let matrix =
            |entry: &dyn Fn(usize, usize) -> f64| -> Vec<f64> { (0..n * n).map(|at| entry(at / n, at % n)).collect() };
        let heat = matrix(&|mode, node| vectors[node * n + mode] / roots[node]);
        let mut boundaries = vec![0.0; network.boundaries * n];
        for &(node, boundary, g) in &network.losses {
            for mode in 0..n {
                boundaries[boundary * n + mode] += heat[mode * n + node] * g;
            }
        }
        Modes {
            // Rounding can leave a rate of zero a little below it.
            rates: (0..n).map(|mode| scaled[mode * n + mode].max(0.0)).collect(),
            nodes: matrix(&|node, mode| vectors[node * n + mode] / roots[node]),
            coordinates: matrix(&|mode, node| vectors[node * n + mode] * roots[node]),
            heat,
            boundaries,
        }
    }
}

/// Most sweeps of the eigenvalue iteration, which converges quadratically: a handful do.
const SWEEPS: usize = 60;

/// Turns a symmetric matrix of width `n` into the diagonal one of its eigenvalues and returns its eigenvectors as
/// columns.
///
/// The cyclic Jacobi method (G. H. Golub and C. F. Van Loan, "Matrix Computations", 8.5): plane rotations, each of
/// which makes one pair of entries vanish. Square roots and the four operations alone, so it is the same on every
/// machine.
fn diagonalise(a: &mut [f64], n: usize) -> Vec<f64> {
    let mut vectors = vec![0.0; n * n];
    (0..n).for_each(|i| vectors[i * n + i] = 1.0);
    for _ in 0..SWEEPS {
        let mut turned = false;
        for p in 0..n {
            for q in p + 1..n {
                let off = a[p * n + q];
                // Entries that vanish beside both of their diagonal neighbours leave the small rates exact, too.
                if off.abs() <= 1e-18 * (a[p * n + p].abs() * a[q * n + q].abs()).sqrt() {
                    continue;
                }
                turned = true;
                let half = (a[q * n + q] - a[p * n + p]) / (2.0 * off);
                let t = (if half < 0.0 { -1.0 } else { 1.0 }) / (half.abs() + (half * half + 1.0).sqrt());
                let c = 1.0 / (t * t + 1.0).sqrt();
                rotate(a, &mut vectors, n, (p, q), (c, t * c));
            }
        }
        if !turned {
            break;
        }
    }
    vectors
}

/// Turns the plane of rows and columns `p` and `q` by the angle with this cosine and sine.
fn rotate(a: &mut [f64], vectors: &mut [f64], n: usize, (p, q): (usize, usize), (c, s): (f64, f64)) {
    for k in 0..n {
        let (kp, kq) = (a[k * n + p], a[k * n + q]);
        (a[k * n + p], a[k * n + q]) = (c * kp - s * kq, s * kp + c * kq);
    }
    for k in 0..n {
        let (pk, qk) = (a[p * n + k], a[q * n + k]);
        (a[p * n + k], a[q * n + k]) = (c * pk - s * qk, s * pk + c * qk);
        let (kp, kq) = (vectors[k * n + p], vectors[k * n + q]);
        (vectors[k * n + p], vectors[k * n + q]) = (c * kp - s * kq, s * kp + c * kq);
    }
    (a[p * n + q], a[q * n + p]) = (0.0, 0.0);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn eigenvectors_make_the_matrix_again(entries in proptest::collection::vec(-3.0..3.0_f64, 25)) {
            let n = 5;
            let symmetric: Vec<f64> =
                (0..n * n).map(|at| entries[(at / n).max(at % n) * n + (at / n).min(at % n)]).collect();
            let mut diagonal = symmetric.clone();
            let vectors = diagonalise(&mut diagonal, n);
            for i in 0..n {
                for j in 0..n {
                    let made: f64 =
                        (0..n).map(|k| vectors[i * n + k] * diagonal[k * n + k] * vectors[j * n + k]).sum();
                    prop_assert!((made - symmetric[i * n + j]).abs() < 1e-12);
                    let unit: f64 = (0..n).map(|k| vectors[k * n + i] * vectors[k * n + j]).sum();
                    let expected = if i == j { 1.0 } else { 0.0 };
                    prop_assert!((unit - expected).abs() < 1e-13);
                }
            }
        }
    }

    #[test]
    fn the_rates_of_a_known_matrix_are_found() {
        // Eigenvalues of the matrix with 2 on the diagonal and −1 beside it, width 3: 2 − 2·cos(kπ/4), textbook.
        let mut matrix = vec![2.0, -1.0, 0.0, -1.0, 2.0, -1.0, 0.0, -1.0, 2.0];
        diagonalise(&mut matrix, 3);
        let mut rates = [matrix[0], matrix[4], matrix[8]];
        rates.sort_by(f64::total_cmp);
        let root = std::f64::consts::SQRT_2;
        for (rate, expected) in rates.iter().zip([2.0 - root, 2.0, 2.0 + root]) {
            assert!((rate - expected).abs() < 1e-14);
        }
    }
}

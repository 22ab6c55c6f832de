//! Average run lengths of control charts, for tests: what a limit costs in false alarms and in delay.
//!
//! Each is the solution of a Fredholm equation of the second kind for normal samples, by Gauss–Legendre quadrature
//! (CUSUM: E. S. Page, Biometrika 41, 1954; EWMA: S. V. Crowder, Technometrics 29, 1987). They stand beside the charts
//! so that a limit chosen anywhere can be held to a run length by a test.

use std::f64::consts::{PI, SQRT_2};

/// Nodes of the quadrature; the printed tables are met with half as many.
const NODES: usize = 60;

/// Density of the standard normal distribution.
fn density(x: f64) -> f64 {
    libm::exp(-0.5 * x * x) / (2.0 * PI).sqrt()
}

/// Distribution function of the standard normal distribution.
fn distribution(x: f64) -> f64 {
    0.5 * libm::erfc(-x / SQRT_2)
}

/// Nodes and weights of Gauss–Legendre quadrature on `from..to`: roots of the Legendre polynomial by Newton's method
/// from Chebyshev's guess (Abramowitz & Stegun 25.4.30).
fn nodes(from: f64, to: f64) -> Vec<(f64, f64)> {
    let n = NODES as f64;
    (0..NODES)
        .map(|i| {
            let mut x = libm::cos(PI * (i as f64 + 0.75) / (n + 0.5));
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut before, mut value) = (1.0, x);
                for degree in 2..=NODES {
                    let m = degree as f64;
                    (before, value) = (value, ((2.0 * m - 1.0) * x * value - (m - 1.0) * before) / m);
                }
                slope = n * (x * value - before) / (x * x - 1.0);
                x -= value / slope;
            }
            let half = (to - from) / 2.0;
            (from + half * (1.0 + x), half * 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Solves `matrix·x = right` by Gaussian elimination with partial pivoting.
fn solved(mut matrix: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let n = right.len();
    for column in 0..n {
        let pivot = (column..n).max_by(|&a, &b| matrix[a][column].abs().total_cmp(&matrix[b][column].abs()));
        let pivot = pivot.expect("a row is left");
        matrix.swap(column, pivot);
        right.swap(column, pivot);
        for row in column + 1..n {
            let factor = matrix[row][column] / matrix[column][column];
            let (upper, lower) = matrix.split_at_mut(row);
            lower[0][column..].iter_mut().zip(&upper[column][column..]).for_each(|(a, b)| *a -= factor * b);
            right[row] -= factor * right[column];
        }
    }
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|column| matrix[row][column] * right[column]).sum();
        right[row] = (right[row] - known) / matrix[row][row];
    }
    right
}

/// Run length of a one-sided CUSUM with slack `k` and limit `h` that starts from zero, and from `start`, on normal
/// samples around `shift`: `L(s) = 1 + Φ(k−s−μ)·L(0) + ∫₀ʰ L(y)·φ(y−s+k−μ) dy`.
pub fn cusum_one_sided(k: f64, h: f64, start: f64, shift: f64) -> (f64, f64) {
    let nodes = nodes(0.0, h);
    // The unknowns are L at zero and at each node.
    let points: Vec<f64> = std::iter::once(0.0).chain(nodes.iter().map(|node| node.0)).collect();
    let row = |s: f64| -> Vec<f64> {
        let kernel = nodes.iter().map(|&(y, weight)| weight * density(y - s + k - shift));
        std::iter::once(distribution(k - s - shift)).chain(kernel).collect()
    };
    let matrix = points.iter().enumerate().map(|(i, &s)| {
        row(s).into_iter().enumerate().map(|(j, kernel)| f64::from(u8::from(i == j)) - kernel).collect()
    });
    let lengths = solved(matrix.collect(), vec![1.0; points.len()]);
    let from_start = 1.0 + row(start).iter().zip(&lengths).map(|(kernel, length)| kernel * length).sum::<f64>();
    (lengths[0], from_start)
}

/// Run length of a two-sided CUSUM whose sums both start from `start`, from those of its two sides (Lucas & Crosier,
/// Technometrics 24, 1982).
pub fn cusum(k: f64, h: f64, start: f64, shift: f64) -> f64 {
    let ((up, up_start), (down, down_start)) =
        (cusum_one_sided(k, h, start, shift), cusum_one_sided(k, h, start, -shift));
    (up_start * down + down_start * up - up * down) / (up + down)
}

/// Run length of a two-sided EWMA with weight λ and steady limits of `width` standard deviations that starts from
/// zero: `L(u) = 1 + 1/λ·∫ L(y)·φ((y−(1−λ)u)/λ − μ) dy` between the limits.
pub fn ewma(weight: f64, width: f64, shift: f64) -> f64 {
    let limit = width * (weight / (2.0 - weight)).sqrt();
    let nodes = nodes(-limit, limit);
    let row = |u: f64| -> Vec<f64> {
        let kernel = |y: f64| density((y - (1.0 - weight) * u) / weight - shift) / weight;
        nodes.iter().map(|&(y, node)| node * kernel(y)).collect()
    };
    let matrix = nodes.iter().enumerate().map(|(i, &(u, _))| {
        row(u).into_iter().enumerate().map(|(j, kernel)| f64::from(u8::from(i == j)) - kernel).collect()
    });
    let lengths = solved(matrix.collect(), vec![1.0; nodes.len()]);
    1.0 + row(0.0).iter().zip(&lengths).map(|(kernel, length)| kernel * length).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Checks `found` against a number to its printed digits: to six tenths of the last, since the authors' own
    /// approximations fall to the other side of a half now and then.
    #[track_caller]
    fn check(found: f64, printed: &str) {
        let value: f64 = printed.parse().expect("a number");
        let decimals = printed.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let digit = libm::pow(10.0, -(decimals as f64));
        assert!((found - value).abs() <= 0.6 * digit, "{found}, printed {printed}");
    }

    #[test]
    fn run_lengths_of_cusums_are_those_of_lucas_and_crosier() {
        // Lucas & Crosier 1982, table 1, as the manual of the R package spc prints it (xcusum.arl): k 0.5, h 4.
        let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0];
        let plain = ["168", "74.2", "26.6", "13.3", "8.38", "4.75", "3.34", "2.62", "2.19", "1.71", "1.31"];
        let fast = ["149", "62.7", "20.1", "8.97", "5.29", "2.86", "2.01", "1.59", "1.32", "1.07", "1.01"];
        for i in 0..shifts.len() {
            check(cusum(0.5, 4.0, 0.0, shifts[i]), plain[i]);
            check(cusum(0.5, 4.0, 2.0, shifts[i]), fast[i]);
        }
        // Montgomery, table 9.3, k 0.5, h 5: from memory.
        for (shift, printed) in [(0.0, "465"), (0.25, "139"), (0.5, "38.0"), (1.0, "10.4"), (2.0, "4.01")] {
            check(cusum(0.5, 5.0, 0.0, shift), printed);
        }
    }

    #[test]
    fn run_lengths_of_one_sided_cusums_are_those_of_brook_and_evans_and_of_vance() {
        // Brook & Evans 1972, k 0.5, h 3: 117.59 and 3.75 (R package spc). Their Markov chain was coarse: ±0.01.
        assert!((cusum_one_sided(0.5, 3.0, 0.0, 0.0).0 - 117.59).abs() < 0.01);
        check(cusum_one_sided(0.5, 3.0, 0.0, 1.5).0, "3.75");
        // Vance 1986, k 0, h 10 (R package spc); the first differs from the exact 2071.57 in its sixth digit.
        let printed = ["400.28", "124.66", "59.30", "36.71", "20.37", "14.06", "10.75"];
        for (shift, printed) in [-0.125, 0.0, 0.125, 0.25, 0.5, 0.75, 1.0].into_iter().zip(printed) {
            check(cusum_one_sided(0.0, 10.0, 0.0, shift).0, printed);
        }
        assert!((cusum_one_sided(0.0, 10.0, 0.0, -0.25).0 / 2071.51 - 1.0).abs() < 5e-5);
        // SAS/QC, k 0.25, h 8, shift 2.5, start 0 and 0.1, as R package spc quotes it; ours do not change from the
        // eleventh digit on when there are more nodes.
        let (zero, start) = cusum_one_sided(0.25, 8.0, 0.1, 2.5);
        assert!((zero - 4.1500836225).abs() < 2e-7 && (start - 4.1061588131).abs() < 2e-7, "{zero} {start}");
    }

    #[test]
    fn run_lengths_of_ewmas_are_those_of_lucas_and_saccucci() {
        // Lucas & Saccucci 1990, table 3, as the manual of the R package spc prints it (xewma.arl).
        let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0];
        let half = ["500", "255", "88.8", "35.9", "17.5", "6.53", "3.63", "2.50", "1.93", "1.58", "1.34", "1.07"];
        let slow = ["500", "76.7", "29.3", "17.6", "12.6", "8.07", "5.99", "4.80", "4.03", "3.49", "3.11", "2.55"];
        for i in 0..shifts.len() {
            check(ewma(0.5, 3.071, shifts[i]), half[i]);
            check(ewma(0.03, 2.437, shifts[i]), slow[i]);
        }
        // The other pairs of the table with a run length of 500: from memory.
        for (weight, width) in [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)] {
            check(ewma(weight, width, 0.0), "500");
        }
    }

    #[test]
    fn run_lengths_of_ewmas_are_those_of_crowder() {
        // Crowder 1987, limits at 2 (R package spc).
        let cases = [
            (0.5, [(0.0, "26.45"), (0.5, "11.89"), (1.0, "4.91"), (2.0, "1.94"), (4.0, "1.05")]),
            (0.05, [(0.0, "127.53"), (0.5, "18.97"), (1.0, "8.38"), (2.0, "4.04"), (4.0, "2.15")]),
        ];
        for (weight, row) in cases {
            for (shift, printed) in row {
                check(ewma(weight, 2.0, shift), printed);
            }
        }
        // SAS/QC, λ 0.25, limits at 3, shift 1.
        assert!((ewma(0.25, 3.0, 1.0) - 11.154267016).abs() < 1e-6);
    }
}

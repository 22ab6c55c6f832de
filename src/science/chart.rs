//! Control charts: has a series left the course that was fitted to it, and since when?
//!
//! Both take standardised samples, `(reading − expected)/standard deviation`, as [`Line::residual`] gives them. Beside
//! a lamp's decay fit the CUSUM finds the step that is no ageing (lamp moved, mesh dirty, probe slipped) and tells when
//! it began; the EWMA finds slow drift away from the fit. Each sample costs the same, however many there were.
//!
//! What a limit costs in false alarms is in the tables of Lucas & Crosier 1982 and Lucas & Saccucci 1990, reproduced by
//! the tests: with k = 0.5 a two-sided CUSUM alarms falsely every 168 samples at h = 4 and every 465 at h = 5. At one
//! sample a day those are months; [`Cusum::quiet`] is for samples of which hundreds of lamps give one each day. Run
//! lengths hold for independent normal samples and a fit that is known; a course fitted to few readings alarms sooner.
//!
//! [`Line::residual`]: super::line::Line::residual

/// To which side a series left its course.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// Exponentially weighted moving average of standardised samples (S. W. Roberts, Technometrics 1, 1959;
/// NIST/SEMATECH e-Handbook 6.3.2.4).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    /// Weight of the newest sample, above 0 and at most 1.
    weight: f64,
    /// Half-width of the limits in standard deviations of the average.
    width: f64,
    /// The average.
    value: f64,
    /// `(1 − weight)^(2n)` after n samples: how far the variance is from steady.
    unsettled: f64,
}

impl Ewma {
    /// A chart whose newest sample has `weight` (usually 0.2 to 0.3: Hunter, in NIST 6.3.2.4) and whose limits stand
    /// `width` standard deviations of the average from zero. A weight outside 0..1, or none, counts as 1 (Shewhart's
    /// chart); a width that is no number lets nothing pass.
    pub fn new(weight: f64, width: f64) -> Ewma {
        let weight = if 0.0 < weight && weight < 1.0 { weight } else { 1.0 };
        Ewma { weight, width, value: 0.0, unsettled: 1.0 }
    }

    /// Takes a sample and tells on which side the average is outside the exact limits, if it is. A sample that is no
    /// finite number is missing and changes nothing.
    pub fn push(&mut self, sample: f64) -> Option<Side> {
        if sample.is_finite() {
            self.value += self.weight * (sample - self.value);
            self.unsettled *= (1.0 - self.weight) * (1.0 - self.weight);
        }
        self.outside()
    }

    /// The same chart taken up again after many samples, with its average at `value`.
    #[must_use]
    pub fn resumed(self, value: f64) -> Ewma {
        Ewma { value, unsettled: 0.0, ..self }
    }

    /// On which side the average is outside the exact limits, if it is.
    pub fn outside(&self) -> Option<Side> {
        match self.value {
            value if value.abs() <= self.limit() => None,
            value if value > 0.0 => Some(Side::Above),
            _ => Some(Side::Below),
        }
    }

    /// The average, in standard deviations of a sample.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// The limit after the samples so far: `width·√(λ/(2−λ)·(1 − (1−λ)^2n))` (Lucas & Saccucci, Technometrics 32,
    /// 1990). Narrow at first, so that a chart sees a fault that was there from the start.
    pub fn limit(&self) -> f64 {
        self.steady_limit() * (1.0 - self.unsettled).sqrt()
    }

    /// The limit after many samples: `width·√(λ/(2−λ))` (NIST 6.3.2.4).
    pub fn steady_limit(&self) -> f64 {
        self.width * (self.weight / (2.0 - self.weight)).sqrt()
    }
}

/// A step that a [`Cusum`] found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// To which side.
    pub side: Side,
    /// How many samples ago it is thought to have begun: those since the sum last stood at its start (Page, Biometrika
    /// 41, 1954; Montgomery, *Introduction to Statistical Quality Control*, the counters N⁺ and N⁻).
    pub samples: u32,
    /// How large it is thought to be, in standard deviations, negative when below: `k + S/N` (Montgomery, same
    /// section). Too large on average, as every estimate that waited for an alarm.
    pub size: f64,
}

/// One of the two sums of a [`Cusum`].
#[derive(Clone, Copy, Debug, PartialEq)]
struct Sum {
    value: f64,
    /// Samples since it was last zero or at its head start.
    samples: u32,
    /// What it stood at before those.
    start: f64,
}

impl Sum {
    fn at(start: f64) -> Sum {
        Sum { value: start, samples: 0, start }
    }

    fn push(&mut self, increment: f64) {
        let next = self.value + increment;
        *self = if next > 0.0 {
            Sum { value: next, samples: self.samples.saturating_add(1), start: self.start }
        } else {
            Sum::at(0.0)
        };
    }

    fn mean_increment(&self) -> f64 {
        (self.value - self.start) / f64::from(self.samples.max(1))
    }
}

/// Two-sided tabular CUSUM of standardised samples (NIST/SEMATECH e-Handbook 6.3.2.3), on wish with the fast initial
/// response of Lucas & Crosier (Technometrics 24, 1982).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    /// Slack k in standard deviations: half of the shift that matters (NIST 6.3.2.3).
    slack: f64,
    /// Decision limit h in standard deviations.
    limit: f64,
    /// What both sums start from.
    head_start: f64,
    above: Sum,
    below: Sum,
}

impl Cusum {
    /// A chart with slack k and decision limit h, in standard deviations of a sample.
    pub fn new(slack: f64, limit: f64) -> Cusum {
        Cusum { slack, limit, head_start: 0.0, above: Sum::at(0.0), below: Sum::at(0.0) }
    }

    /// The limit h of [`Cusum::quiet`].
    pub const QUIET_LIMIT: f64 = 11.0;

    /// k 0.5 and h 11 for one sample a day: a false alarm in about 190 660 samples, 522 years, and a step of two standard
    /// deviations found in 8 (Brook & Evans' Markov chain with 2000 states, in scipy; the tests hold it by quadrature).
    pub fn quiet() -> Cusum {
        Cusum::new(0.5, Cusum::QUIET_LIMIT)
    }

    /// The same chart with both sums begun at `share` of the limit, 0..=1; Lucas & Crosier advise a half. For what may
    /// be wrong from the start: a lamp just fitted, a chart just restarted after an alarm.
    pub fn with_head_start(self, share: f64) -> Cusum {
        let head_start = if share > 0.0 { self.limit * share.min(1.0) } else { 0.0 };
        Cusum { head_start, ..self }.restarted()
    }

    /// The same chart before its first sample.
    #[must_use]
    pub fn restarted(self) -> Cusum {
        Cusum { above: Sum::at(self.head_start), below: Sum::at(self.head_start), ..self }
    }

    /// Takes a sample and tells the step it sees, if any. A sample that is no finite number is missing and changes
    /// nothing. The sums go on after an alarm, until the owner takes [`Cusum::restarted`].
    pub fn push(&mut self, sample: f64) -> Option<Step> {
        if sample.is_finite() {
            self.above.push(sample - self.slack);
            self.below.push(-sample - self.slack);
        }
        self.step()
    }

    /// The step seen now; where both sums are over the limit, the larger one.
    pub fn step(&self) -> Option<Step> {
        let (sum, side, sign) = if self.above.value >= self.below.value {
            (self.above, Side::Above, 1.0)
        } else {
            (self.below, Side::Below, -1.0)
        };
        let size = sign * (self.slack + sum.mean_increment());
        (!(sum.value <= self.limit)).then_some(Step { side, samples: sum.samples, size })
    }

    /// Both sums, above then below, each with the samples since it last stood at its start: what [`Cusum::resumed`]
    /// wants.
    pub fn sums(&self) -> [(f64, u32); 2] {
        [self.above, self.below].map(|sum| (sum.value, sum.samples))
    }

    /// The same chart taken up again where its [`Cusum::sums`] stood. What a head start had given them counts as samples.
    #[must_use]
    pub fn resumed(self, [above, below]: [(f64, u32); 2]) -> Cusum {
        let sum = |(value, samples): (f64, u32)| Sum { value: value.max(0.0), samples, start: 0.0 };
        Cusum { above: sum(above), below: sum(below), ..self }
    }

    /// The sum for steps upwards, in standard deviations; never negative.
    pub fn above(&self) -> f64 {
        self.above.value
    }

    /// The sum for steps downwards, in standard deviations; never negative.
    pub fn below(&self) -> f64 {
        self.below.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::arl;
    use crate::science::testing::{Pcg32, near, normal};

    #[test]
    fn ewma_is_the_worked_example_of_nist() {
        // NIST/SEMATECH e-Handbook 6.3.2.4: λ 0.3, target 50, s 2.0539, k 3; table and limits as printed. The page
        // rounds √(0.3/1.7) to 0.4201, hence 1e-4 on the limits (52.5884 and 47.4115).
        const DATA: [f64; 20] = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
            53.6, 52.1,
        ];
        const PRINTED: [f64; 20] = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let mut chart = Ewma::new(0.3, 3.0);
        near(50.0 + 2.0539 * chart.steady_limit(), 52.5884, 1e-4);
        near(50.0 - 2.0539 * chart.steady_limit(), 47.4115, 1e-4);
        for (x, printed) in DATA.into_iter().zip(PRINTED) {
            chart.push((x - 50.0) / 2.0539);
            near(50.0 + 2.0539 * chart.value(), printed, 0.0051);
            assert!(chart.value().abs() < chart.steady_limit(), "the page: the process is in control");
        }
        near(chart.limit(), chart.steady_limit(), 1e-5);
    }

    #[test]
    fn the_first_limit_of_an_ewma_is_that_of_one_sample() {
        // The average of one sample from zero is λ·z, whose standard deviation is λ (arithmetic).
        let mut chart = Ewma::new(0.25, 3.0);
        assert_eq!(chart.push(3.01), Some(Side::Above));
        near(chart.limit(), 0.75, 1e-12);
        assert_eq!(Ewma::new(0.25, 3.0).push(-3.01), Some(Side::Below));
        assert_eq!(Ewma::new(0.25, 3.0).push(2.99), None);
    }

    #[test]
    fn cusum_is_the_worked_example_of_nist() {
        // NIST/SEMATECH e-Handbook 6.3.2.3: target 325, σ 0.635, k 0.3175, h 4.1959 in the data's unit. The printed
        // table rounds ties both ways, hence 0.0051.
        const DATA: [f64; 20] = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
            328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
        ];
        const HIGH: [f64; 20] = [
            0.0, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00,
            19.04,
        ];
        const LOW: [f64; 20] =
            [0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.25, 0.31, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        let mut chart = Cusum::new(0.3175 / 0.635, 4.1959 / 0.635);
        for (i, x) in DATA.into_iter().enumerate() {
            let step = chart.push((x - 325.0) / 0.635);
            near(0.635 * chart.above(), HIGH[i], 0.0051);
            near(0.635 * chart.below(), LOW[i], 0.0051);
            assert_eq!(step.map(|step| step.side), (i >= 13).then_some(Side::Above), "group {}", i + 1);
            if i == 13 {
                // The sum left zero with group 13, and groups 13 and 14 lie (3.325 + 2.25)/2 over the target.
                assert_eq!(step.map(|step| step.samples), Some(2));
                near(0.635 * step.expect("group 14").size, 2.7875, 1e-9);
            }
        }
    }

    #[test]
    fn a_head_start_is_the_worked_example_of_lucas_and_crosier() {
        // Lucas & Crosier 1982, table 5, in "Six Sigma: Advanced Tools", table 24.1: h 5, k 0.5.
        const DATA: [f64; 7] = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
        const PLAIN: [f64; 7] = [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0];
        const FAST: [f64; 7] = [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5];
        let (mut plain, mut fast) = (Cusum::new(0.5, 5.0), Cusum::new(0.5, 5.0).with_head_start(0.5));
        for i in 0..7 {
            assert_eq!(plain.push(DATA[i]).is_some(), i + 1 >= 7);
            assert_eq!(fast.push(DATA[i]).is_some(), i + 1 >= 3);
            near(plain.above(), PLAIN[i], 1e-9);
            near(fast.above(), FAST[i], 1e-9);
        }
        assert_eq!(fast.restarted(), Cusum::new(0.5, 5.0).with_head_start(0.5));
    }

    #[test]
    fn a_step_is_told_with_its_beginning_and_size() {
        // Arithmetic: after samples at −0.5 the sum for steps below stands at zero; then each sample of −3 adds 2.5.
        let mut chart = Cusum::new(0.5, 8.0);
        let found: Vec<_> = [-0.5, 0.2, -3.0, -3.0, -3.0, -3.0].into_iter().map(|z| chart.push(z)).collect();
        assert_eq!(found[..5], [None; 5]);
        let step = found[5].expect("10 is over 8");
        assert_eq!((step.side, step.samples), (Side::Below, 4));
        near(step.size, -3.0, 1e-12);
    }

    #[test]
    fn a_head_start_is_no_part_of_the_size_of_a_step() {
        // Arithmetic: from 2 of 4, samples of 1.5 add 1 each; the third is over the limit. They were 1.5 large.
        let mut chart = Cusum::new(0.5, 4.0).with_head_start(0.5);
        assert_eq!([chart.push(1.5), chart.push(1.5)], [None; 2]);
        assert_eq!(chart.push(1.5), Some(Step { side: Side::Above, samples: 3, size: 1.5 }));
    }

    #[test]
    fn a_chart_is_taken_up_where_it_stood() {
        let (mut whole, mut ewma) = (Cusum::new(0.5, 4.0), Ewma::new(0.2, 3.0));
        for i in 0..40 {
            let sample = if i < 20 { 0.3 } else { -1.1 };
            let mut again = Cusum::new(0.5, 4.0).resumed(whole.sums());
            assert_eq!(again.push(sample), whole.push(sample));
            let mut resumed = Ewma::new(0.2, 3.0).resumed(ewma.value());
            resumed.push(sample);
            ewma.push(sample);
            near(resumed.value(), ewma.value(), 0.0);
        }
        assert!(whole.step().is_some());
    }

    #[test]
    fn a_missing_sample_is_no_evidence_and_a_broken_limit_lets_nothing_pass() {
        let (mut cusum, mut ewma) = (Cusum::new(0.5, 4.0), Ewma::new(0.2, 3.0));
        cusum.push(1.5);
        ewma.push(0.5);
        let before = (cusum, ewma);
        for missing in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!((cusum.push(missing), ewma.push(missing)), (None, None));
            assert_eq!((cusum, ewma), before);
        }
        assert!(Cusum::new(0.5, f64::NAN).push(0.0).is_some());
        assert!(Ewma::new(0.2, f64::NAN).push(0.0).is_some());
    }

    #[test]
    fn a_quiet_chart_is_quiet_for_centuries_of_days() {
        // The same run lengths by a Markov chain (Brook & Evans, Biometrika 59, 1972) with 2000 states, by scipy 1.17.1;
        // a chain of finite states is good to about one in 10 000 here.
        let Cusum { slack, limit, .. } = Cusum::quiet();
        near(arl::cusum(slack, limit, 0.0, 0.0), 190_655.6, 20.0);
        near(arl::cusum(0.5, 9.5, 0.0, 0.0), 42_532.6, 4.0);
        assert!(arl::cusum(slack, limit, 0.0, 2.0) < 8.1);
    }

    /// Mean run length of `runs` charts on normal samples around `shift`, with its standard error.
    fn mean_run(runs: u32, shift: f64, mut push: impl FnMut(bool, f64) -> bool) -> (f64, f64) {
        let mut generator = Pcg32::new(4, 82);
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..runs {
            let mut length = 1.0;
            let mut is_first = true;
            while !push(is_first, normal(&mut generator) + shift) {
                is_first = false;
                length += 1.0;
            }
            sum += length;
            squares += length * length;
        }
        let mean = sum / f64::from(runs);
        (mean, ((squares / f64::from(runs) - mean * mean) / f64::from(runs)).sqrt())
    }

    #[test]
    fn charts_have_the_run_lengths_of_the_tables() {
        // Lucas & Crosier 1982, table 1 (k 0.5, h 4, with and without head start) and, for an EWMA with the steady
        // limit, Lucas & Saccucci 1990, table 3 (λ 0.5, L 3.071); four standard errors of the simulation.
        for (shift, head_start, printed) in [(0.0, 0.0, 168.0), (1.0, 0.0, 8.38), (0.0, 0.5, 149.0), (1.0, 0.5, 5.29)] {
            let mut chart = Cusum::new(0.5, 4.0).with_head_start(head_start);
            let (mean, error) = mean_run(4000, shift, |is_first, z| {
                if is_first {
                    chart = chart.restarted();
                }
                chart.push(z).is_some()
            });
            near(mean, printed, 4.0 * error);
        }
        for (shift, printed) in [(1.0, 17.5), (2.0, 3.63)] {
            let mut chart = Ewma::new(0.5, 3.071);
            let (mean, error) = mean_run(4000, shift, |is_first, z| {
                if is_first {
                    chart = Ewma::new(0.5, 3.071);
                }
                chart.push(z);
                chart.value().abs() > chart.steady_limit()
            });
            near(mean, printed, 4.0 * error);
        }
    }

    #[test]
    fn exact_limits_of_an_ewma_see_an_early_fault_sooner() {
        let run = |is_exact: bool| {
            let mut chart = Ewma::new(0.1, 2.814);
            mean_run(2000, 2.0, |is_first, z| {
                if is_first {
                    chart = Ewma::new(0.1, 2.814);
                }
                let outside = chart.push(z).is_some();
                if is_exact { outside } else { chart.value().abs() > chart.steady_limit() }
            })
        };
        let ((exact, _), (steady, error)) = (run(true), run(false));
        near(steady, arl::ewma(0.1, 2.814, 2.0), 4.0 * error);
        assert!(exact < 0.8 * steady, "{exact} against {steady}");
    }
}

//! What a trial counts, how counts of other seeds are added, and the table they make.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

/// What happened to an enclosure, by its name in the table.
pub const FATES: [&str; 8] = [
    "lamp breaks",
    "UV dies",
    "relay open",
    "supply dead",
    "probe unplugged",
    "probe frozen",
    "shade for days",
    "heat lamp breaks",
];
/// What it was told as.
pub const TOLD: [&str; 7] = ["dark", "no UV", "relay", "supply", "probe dead", "shaded", "untold"];

/// What tells of one of two lamps at a probe.
pub const OF_TWO: [&str; 3] = ["both without supply", "its own power tells", "nothing but the light of both"];

/// Counts over some enclosure-years. All lists are in the order of the seeds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Tally {
    pub enclosures: u64,
    pub years: f64,
    pub lamp_years: f64,
    /// Minutes until a dark lamp was told, in which it should have been on; none: not within three hours, or never. Before
    /// them: seconds between readings, and whether it is one of two at its probe.
    pub dark: Vec<(u64, bool, Option<f64>)>,
    /// Of one of two lamps at its probe: its place in [`OF_TWO`], the same minutes, and those until any alarm sent its keeper
    /// there, however late.
    #[serde(default)]
    pub of_two: Vec<(usize, Option<f64>, Option<f64>)>,
    /// The same of dead probes.
    pub dead: Vec<Option<f64>>,
    /// Where UV alone tells, and where more does: what happened against what it was told as.
    pub causes: [[[u64; TOLD.len()]; FATES.len()]; 2],
    /// Errors in days of forecasts made 30 days ahead (none: never), and whether the interval held the truth, per kind of
    /// ageing.
    pub ahead: Vec<(usize, Option<f64>, bool)>,
    /// The same against what the UV truly is, the hand-held meter's own error included.
    pub ahead_by_truth: Vec<Option<f64>>,
    /// Lamps that left their band by ageing, unannounced three days before, and those of which nothing could be known for
    /// want of a meter reading.
    pub left: u64,
    pub unannounced: u64,
    pub unmeasured: u64,
    /// Days before that they were announced.
    pub leads: Vec<f64>,
    /// Steps of lamp, probe or mesh of which the core was told nothing; days until told; none: not within 30.
    pub steps: Vec<Option<f64>>,
    /// Alarms raised, and those without ground, by kind; and the latter where the probe is too coarse for its UV.
    pub raised: BTreeMap<String, u64>,
    pub false_alarms: BTreeMap<String, u64>,
    pub false_of_coarse: BTreeMap<String, u64>,
    /// … and of enclosures with two lamps at one probe, where it is not too coarse.
    pub false_of_pairs: BTreeMap<String, u64>,
    pub pair_years: f64,
    /// Years of enclosures whose probe is too coarse to tell deep shade from darkness.
    pub coarse_years: f64,
    /// Some false alarms in words, and each dark lamp with what it took to find it.
    #[serde(skip)]
    pub examples: Vec<String>,
    #[serde(skip)]
    pub delays: Vec<String>,
}

fn add(to: &mut BTreeMap<String, u64>, from: &BTreeMap<String, u64>) {
    from.iter().for_each(|(kind, count)| *to.entry(kind.clone()).or_default() += count);
}

/// A quantile of these, those that never came as infinity; no number of none.
pub fn quantile(values: impl Iterator<Item = Option<f64>>, share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.map(|value| value.unwrap_or(f64::INFINITY)).collect();
    sorted.sort_by(f64::total_cmp);
    let place = (sorted.len().saturating_sub(1) as f64 * share).ceil() as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

impl Tally {
    /// Adds the counts of other seeds.
    pub fn merge(&mut self, other: Tally) {
        self.enclosures += other.enclosures;
        self.years += other.years;
        self.lamp_years += other.lamp_years;
        self.coarse_years += other.coarse_years;
        self.dark.extend(other.dark);
        self.of_two.extend(other.of_two);
        self.dead.extend(other.dead);
        self.ahead.extend(other.ahead);
        self.ahead_by_truth.extend(other.ahead_by_truth);
        self.leads.extend(other.leads);
        self.steps.extend(other.steps);
        self.left += other.left;
        self.unannounced += other.unannounced;
        self.unmeasured += other.unmeasured;
        let own = self.causes.iter_mut().flatten().flatten();
        own.zip(other.causes.iter().flatten().flatten()).for_each(|(own, other)| *own += other);
        add(&mut self.raised, &other.raised);
        add(&mut self.false_alarms, &other.false_alarms);
        add(&mut self.false_of_coarse, &other.false_of_coarse);
        add(&mut self.false_of_pairs, &other.false_of_pairs);
        self.pair_years += other.pair_years;
        self.examples.extend(other.examples);
        self.delays.extend(other.delays);
    }

    pub fn false_per_hundred_years(&self) -> f64 {
        100.0 * self.false_alarms.values().sum::<u64>() as f64 / self.years
    }

    /// Minutes until dark lamps were told that are alone at a probe with this interval.
    pub fn dark_alone(&self, every: std::ops::RangeInclusive<u64>) -> Vec<Option<f64>> {
        let of = self.dark.iter().filter(|(interval, pair, _)| !pair && every.contains(interval));
        of.map(|(.., minutes)| *minutes).collect()
    }

    /// Of forecasts 30 days ahead: the median of absolute errors in days, and the share that the interval covered.
    pub fn month_ahead(&self, of_kind: impl Fn(usize) -> bool) -> (f64, f64, usize) {
        let of = || self.ahead.iter().filter(|(kind, ..)| of_kind(*kind));
        let error = quantile(of().map(|(_, error, _)| error.map(f64::abs)), 0.5);
        let covered = of().filter(|(.., covered)| *covered).count() as f64 / of().count() as f64;
        (error, covered, of().count())
    }

    /// The table.
    pub fn table(&self, kinds: &[&str]) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "{} enclosures, {:.0} enclosure-years, {:.0} UV lamp-years\n",
            self.enclosures, self.years, self.lamp_years
        );
        let _ = writeln!(
            out,
            "delay, in minutes the lamp should have been on        number   p50   p90   p99  p99.9   max"
        );
        let pairs = self.dark.iter().filter(|(_, pair, _)| *pair).map(|(.., minutes)| *minutes).collect();
        for (name, delays) in [
            ("dark lamp (broken, no UV, relay, supply)", self.dark_alone(0..=u64::MAX)),
            ("  of a probe that speaks every 2 min or oftener", self.dark_alone(0..=120)),
            ("  every 5 min", self.dark_alone(300..=300)),
            ("  every 10 min", self.dark_alone(600..=600)),
            ("one of two lamps at a probe", pairs),
            ("dead UV probe", self.dead.clone()),
        ] {
            let of = |share| quantile(delays.iter().copied(), share);
            let [a, b, c, d, e] = [0.5, 0.9, 0.99, 0.999, 1.0].map(of);
            let _ = writeln!(out, "{name:<52} {:>7} {a:5.0} {b:5.0} {c:5.0} {d:6.0} {e:5.0}", delays.len());
        }
        for (place, name) in OF_TWO.iter().enumerate() {
            let of = || self.of_two.iter().filter(|(of, ..)| *of == place);
            let found = |share| quantile(of().map(|(_, found, _)| *found), share);
            let noticed = |share| quantile(of().map(|(.., noticed)| *noticed), share);
            let _ = writeln!(
                out,
                "of two, {name:<44} {:>7} {:5.0} {:5.0}; any alarm {:5.0} {:5.0}",
                of().count(),
                found(0.5),
                found(0.9),
                noticed(0.5),
                noticed(0.9)
            );
        }
        self.forecasts(&mut out, kinds);
        for (group, name) in self.causes.iter().zip(["UV alone tells", "power, light, heat or a second lamp tell too"])
        {
            let _ = writeln!(
                out,
                "\ncauses where {name}, told as:\n{:<18}{}",
                "",
                TOLD.map(|told| format!("{told:>11}")).concat()
            );
            for (fate, row) in FATES.iter().zip(group).filter(|(_, row)| row.iter().sum::<u64>() > 0) {
                let _ = writeln!(out, "{fate:<18}{}", row.map(|count| format!("{count:>11}")).concat());
            }
        }
        let _ = writeln!(
            out,
            "\nalarms                        raised   false  a hundred enclosure-years   of these: too coarse a probe   two lamps at one"
        );
        for (kind, raised) in &self.raised {
            let count = |of: &BTreeMap<String, u64>| of.get(kind).copied().unwrap_or(0);
            let (wrong, coarse) = (count(&self.false_alarms), count(&self.false_of_coarse));
            let pairs = count(&self.false_of_pairs);
            let rate = 100.0 * wrong as f64 / self.years;
            let _ = writeln!(out, "{kind:<28} {raised:>7} {wrong:>7} {rate:>10.3} {coarse:>32} {pairs:>17}");
        }
        let wrong = self.false_alarms.values().sum::<u64>();
        let rate = self.false_per_hundred_years();
        let [coarse, pairs] = [&self.false_of_coarse, &self.false_of_pairs].map(|of| of.values().sum::<u64>());
        let _ = writeln!(out, "{:<36} {wrong:>7} {rate:>10.3} {coarse:>32} {pairs:>17}", "all");
        let of = format!("{:.0}", self.coarse_years);
        let _ = writeln!(
            out,
            "{:<36} {:>7.0} {:>10} {of:>32} {:>17.0}",
            "in enclosure-years", self.years, "", self.pair_years
        );
        out
    }

    fn forecasts(&self, out: &mut String, kinds: &[&str]) {
        let _ = writeln!(out, "\nforecast 30 days ahead               number  median |error|  80 % covers");
        let mut line = |name: &str, (error, covered, count): (f64, f64, usize)| {
            let _ = writeln!(out, "{name:<36} {count:>6} {error:>12.1} d {:>10.0} %", 100.0 * covered);
        };
        line("by the keeper's meter", self.month_ahead(|_| true));
        for (number, name) in kinds.iter().enumerate() {
            line(&format!("  {name}"), self.month_ahead(|kind| kind == number));
        }
        let by_truth = quantile(self.ahead_by_truth.iter().map(|error| error.map(f64::abs)), 0.5);
        let _ =
            writeln!(out, "by the true UV, meter error included {:>6} {by_truth:>12.1} d", self.ahead_by_truth.len());
        let lead = |share| quantile(self.leads.iter().copied().map(Some), share);
        let (early, middle, late) = (lead(0.05), lead(0.5), lead(0.95));
        let _ = writeln!(
            out,
            "left the band by ageing: {}; unannounced three days before: {}; nobody had measured: {}; announced {early:.0}, \
             {middle:.0}, {late:.0} d before (p5, median, p95)",
            self.left, self.unannounced, self.unmeasured
        );
        let of = |share| quantile(self.steps.iter().copied(), share);
        let told = self.steps.iter().flatten().count();
        let _ = writeln!(
            out,
            "steps of 12 % and more: {}; told within 30 days: {told}; median {:.0} d, p90 {:.0} d",
            self.steps.len(),
            of(0.5),
            of(0.9)
        );
    }
}

//! A seeded generator with a fixed algorithm: one seed gives one room, byte for byte, anywhere.

/// PCG32, XSH-RR with 64 bits of state (M. E. O'Neill, "PCG: A Family of Simple Fast Space-Efficient Statistically Good
/// Algorithms for Random Number Generation", HMC-CS-2014-0905). Not for secrets.
#[derive(Clone, Debug)]
pub struct Pcg32 {
    /// Where it stands.
    state: u64,
    /// Which of the 2⁶³ sequences it is; odd.
    increment: u64,
}

/// Multiplier of the 64-bit linear congruential step, from the same source.
const MULTIPLIER: u64 = 6_364_136_223_846_793_005;

impl Pcg32 {
    /// The generator with this seed on this stream. Streams do not meet, so a probe that is added moves no other one.
    pub fn new(seed: u64, stream: u64) -> Pcg32 {
        let mut generator = Pcg32 { state: 0, increment: stream << 1 | 1 };
        generator.next_u32();
        generator.state = generator.state.wrapping_add(seed);
        generator.next_u32();
        generator
    }

    /// The next 32 bits.
    pub fn next_u32(&mut self) -> u32 {
        let old = self.state;
        self.state = old.wrapping_mul(MULTIPLIER).wrapping_add(self.increment);
        let shifted = ((old >> 18 ^ old) >> 27) as u32;
        shifted.rotate_right((old >> 59) as u32)
    }

    /// A number from 0 (included) to 1 (excluded), a multiple of 2⁻³².
    pub fn unit(&mut self) -> f64 {
        f64::from(self.next_u32()) / 4_294_967_296.0
    }

    /// A number from −1 to 1.
    pub fn signed(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// A number with mean 0 and standard deviation 1, nearly normal: twelve units of sixteen bits added, less six
    /// (Irwin–Hall). Sums and no transcendental function, so that it is the same everywhere; never beyond ±6.
    pub fn normal(&mut self) -> f64 {
        let sum: u32 = (0..6).map(|_| self.next_u32()).map(|bits| (bits >> 16) + (bits & 0xffff)).sum();
        // Each unit stands for the middle of its step.
        (f64::from(sum) + 6.0) / 65_536.0 - 6.0
    }
}

/// SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014): a
/// counter and a hash of it, so that one draw need not wait for the other. Not for secrets.
#[derive(Clone, Debug)]
pub(super) struct SplitMix64 {
    /// The counter.
    state: u64,
}

/// What its counter goes on by: the golden ratio, odd. From the same source.
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

impl SplitMix64 {
    /// The generator with this seed on this stream. Each stream begins anywhere in the one sequence, which is 2⁶⁴ long.
    pub fn new(seed: u64, stream: u64) -> SplitMix64 {
        SplitMix64 { state: mixed(seed ^ mixed(stream)) }
    }

    /// The next draw.
    pub fn draw(&mut self) -> Draw {
        self.state = self.state.wrapping_add(GOLDEN);
        Draw(mixed(self.state))
    }

    /// Where it stands, which is another place after each draw.
    pub fn state(&self) -> u64 {
        self.state
    }
}

/// The hash.
fn mixed(z: u64) -> u64 {
    let z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ z >> 31
}

/// All that chance decides about one reading of a probe that is well: 64 bits, of which the lower 48 are its noise and
/// the upper 16 its beat.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Draw(u64);

/// How many beats there are for [`Draw::beat`].
pub(super) const BEATS: usize = 64;

impl Draw {
    /// A number with mean 0 and standard deviation 1, nearly normal: twelve units of four bits added, less their mean
    /// (Irwin–Hall), a step of it being 1/16. Sums and no transcendental function; never beyond ±5.7.
    #[inline]
    pub fn normal(self) -> f64 {
        const NIBBLES: u64 = 0x0f0f_0f0f_0f0f;
        let pairs = (self.0 & NIBBLES) + (self.0 >> 4 & NIBBLES);
        // The product gathers the sum of all bytes, at most 180, in the highest.
        let sum = pairs.wrapping_mul(0x0101_0101_0101_0101) >> 56;
        // Mean 12·7.5; variance of a unit (16² − 1)/12, of twelve 255 = 1/0.0626…².
        (sum as i64 - 90) as f64 * 0.062_622_429_108_514_95
    }

    /// Which of the beats it is, each as likely.
    #[inline]
    pub fn beat(self) -> usize {
        (self.0 >> 58) as usize
    }

    /// The same as a number from −1 to 1, in finer steps.
    pub fn signed(self) -> f64 {
        (2.0 * (self.0 >> 48) as f64 + 1.0) / 65_536.0 - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_published_generator() {
        // Output of the authors' demonstration program for seed 42, sequence 54 (pcg-random.org, minimal C library).
        let mut generator = Pcg32::new(42, 54);
        for expected in [0xa15c_02b7, 0x7b47_f409, 0xba1d_3330, 0x83d2_f293, 0xbfa4_784b, 0xcbed_606e] {
            assert_eq!(generator.next_u32(), expected);
        }
    }

    #[test]
    fn the_counter_is_hashed_as_published() {
        // The first numbers for seed 1 234 567, as tabled for this generator on Rosetta Code (from memory).
        let mut generator = SplitMix64 { state: 1_234_567 };
        for expected in [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ] {
            assert_eq!(generator.draw().0, expected);
        }
    }

    #[test]
    fn normal_numbers_have_mean_zero_and_deviation_one() {
        // Central limit: the mean of 20 000 lies within 5/√20000 = 0.035 of 0, the variance within 5·√(2/20000) = 0.05
        // of 1 (five standard errors each). Of the normal distribution 68.3 % lie within one deviation and 4.55 %
        // beyond two (textbook): five standard errors are 1.6 and 0.7 %, and sixteenths move the edges by 1.5 %.
        let (mut one, mut other) = (Pcg32::new(7, 1), SplitMix64::new(7, 1));
        let drawn: [Vec<f64>; 2] =
            [(0..20_000).map(|_| one.normal()).collect(), (0..20_000).map(|_| other.draw().normal()).collect()];
        for drawn in drawn {
            let share = |of: &dyn Fn(f64) -> bool| drawn.iter().filter(|x| of(**x)).count() as f64 / 20_000.0;
            let mean = drawn.iter().sum::<f64>() / 20_000.0;
            let variance = drawn.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 20_000.0;
            assert!(mean.abs() < 0.035 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
            let (within, beyond) = (share(&|x| x.abs() < 1.0), share(&|x| x.abs() > 2.0));
            assert!((within - 0.683).abs() < 0.031 && (beyond - 0.0455).abs() < 0.015, "{within} {beyond}");
        }
    }

    #[test]
    fn noise_and_beat_of_one_draw_are_independent() {
        let mut generator = SplitMix64::new(3, 9);
        let drawn: Vec<Draw> = (0..64_000).map(|_| generator.draw()).collect();
        let mut beats = [0_u32; BEATS];
        drawn.iter().for_each(|draw| beats[draw.beat()] += 1);
        // Binomial: 1000 ± 5·√1000 of each.
        assert!(beats.iter().all(|many| many.abs_diff(1000) < 158), "{beats:?}");
        // Deviations 1 and 1/√3: five standard errors of the mean product are 5/√(3·64000) = 0.0114.
        let product = drawn.iter().map(|draw| draw.normal() * draw.signed()).sum::<f64>() / 64_000.0;
        assert!(product.abs() < 0.0114, "{product}");
    }
}

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
    fn normal_numbers_have_mean_zero_and_deviation_one() {
        // Central limit: the mean of 20 000 lies within 5/√20000 = 0.035 of 0, the variance within 5·√(2/20000) = 0.05
        // of 1 (five standard errors each).
        let mut generator = Pcg32::new(7, 1);
        let drawn: Vec<f64> = (0..20_000).map(|_| generator.normal()).collect();
        let mean = drawn.iter().sum::<f64>() / 20_000.0;
        let variance = drawn.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 0.035 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
    }
}

//! How long to wait after a failed try.

use std::time::Duration;

/// After the first failure, then twice as long each time; a guess.
const FIRST: Duration = Duration::from_secs(10);
/// Never longer: when the network is back nobody waits longer for what was kept. A guess.
const MOST: Duration = Duration::from_secs(600);
/// So much of it is drawn by lot, up and down.
const JITTER: f64 = 0.25;

/// How long to wait after so many failures in a row, at least one. The same seed waits the same.
pub fn wait(seed: u64, failures: u32) -> Duration {
    let doubled = FIRST.saturating_mul(1_u32.checked_shl(failures.saturating_sub(1)).unwrap_or(u32::MAX));
    let share = unit(seed ^ u64::from(failures).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    doubled.min(MOST).mul_f64(1.0 + JITTER * (2.0 * share - 1.0))
}

/// A number from 0 to 1 out of a seed: one step of SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast Splittable
/// Pseudorandom Number Generators", OOPSLA 2014). Not for secrets.
fn unit(seed: u64) -> f64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ z >> 31) as f64 / u64::MAX as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_ten_minutes_give_or_take_a_quarter() {
        for seed in 0..100 {
            for (failures, middle) in
                [(1, 10.0), (2, 20.0), (3, 40.0), (6, 320.0), (7, 600.0), (40, 600.0), (u32::MAX, 600.0)]
            {
                let waited = wait(seed, failures).as_secs_f64();
                assert!((0.75 * middle..=1.25 * middle).contains(&waited), "{failures} failures: {waited} s");
            }
        }
        assert_eq!(wait(7, 3), wait(7, 3));
        assert_ne!(wait(7, 3), wait(8, 3), "not all try again at the same moment");
    }
}

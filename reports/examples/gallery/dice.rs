//! Numbers that look drawn and are the same each time.

/// A small repeatable source of numbers between 0 and 1.
pub struct Dice(pub u64);

impl Dice {
    /// The next number.
    pub fn roll(&mut self) -> f64 {
        // Knuth's MMIX constants (The Art of Computer Programming, vol. 2, 3.3.4).
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64) / f64::from(1u32 << 31)
    }

    /// Roughly normal, mean 0 and standard deviation 1.
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
    }

    /// How many of so many tries come off.
    pub fn hits(&mut self, tries: u32, chance: f64) -> u32 {
        (0..tries).filter(|_| self.roll() < chance).count() as u32
    }
}

//! Shops whose gaskets wear out: sessions of one machine, one after another, through several
//! gaskets of some fifty pours each, with every pull's true worth. A baseline that followed the
//! wear would call the last of them good; one that is anchored would not.

use analysis::time::Micros;

use super::{DrawnSession, Mix, Seal, Settings, Trouble, draw};
use crate::dice::Dice;

/// A machine's sessions over several gaskets.
#[derive(Clone, Debug)]
pub struct SealShop {
    /// In order of time.
    pub sessions: Vec<DrawnSession>,
    /// When the gasket was changed; the first before the first session.
    pub gasket_changes: Vec<Micros>,
}

/// The shop of a seed: `gaskets` gaskets, each kept for `life_pours` pours or a few more, after
/// which a good pull ends 18 % short of what it did at first.
pub fn seal_shop(seed: u64, gaskets: u32, life_pours: u32, valve_switch: bool) -> SealShop {
    let mut dice = Dice::new(seed, 30);
    let mix = Mix {
        pours: (3, 5),
        ..Mix::calm()
    }
    .with(Trouble::HotMachine, 1.0)
    .with(Trouble::CalledOff, 0.15)
    .with(Trouble::NoStopperSwitch, 1.0)
    .with(Trouble::NoValveSwitch, if valve_switch { 0.0 } else { 1.0 })
    .at_rate(*dice.pick(&[1.0, 2.0, 5.0]));
    let mut day = Micros(1_795_000_000_000_000);
    let mut shop = SealShop {
        sessions: Vec::new(),
        gasket_changes: Vec::new(),
    };
    let mut number = 0;
    for _ in 0..gaskets {
        shop.gasket_changes.push(day.plus_seconds(-3600.0));
        let mut age_pours = 0;
        while age_pours < life_pours {
            let settings = Settings {
                mix: mix.clone(),
                starts: Some(day.plus_seconds(dice.between(0.0, 3600.0))),
                seal: Some(Seal {
                    age_pours,
                    life_pours,
                }),
                machine: Some(seed),
            };
            number += 1;
            let session = draw(seed.wrapping_mul(10_007).wrapping_add(number), &settings);
            age_pours += session.truth.pours.len() as u32;
            shop.sessions.push(session);
            day = day.plus_seconds(86_400.0);
        }
    }
    shop
}

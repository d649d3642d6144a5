//! How much a flask has cooled between the kiln and the pour. A flask is thick for how badly it
//! conducts (Biot number above 1): its skin loses hundreds of kelvin while its axis has not
//! moved, so no single time constant describes it and a pyrometer on the outside says nothing
//! about the cavity. Radial conduction is solved instead, with radiation and convection at the
//! wall, and the answer is where the pieces hang.
//!
//! Reckoned for a flask in still air, at one temperature as it leaves the kiln, far from its
//! ends. Air drawn through it by the vacuum, a draught, or a core that is still hotter than a
//! kiln just turned down are not in it; a shop's own measurement ([`calibrate`]) stands for
//! what is usual there.

mod calibration;
mod conduction;
mod ranges;
#[cfg(test)]
mod series;

pub use calibration::{CoolingError, CoolingTest, calibrate, loss_in_two_minutes};

use conduction::{Body, Fineness, Profile, cool};

/// Where pieces are taken to hang: this far inside the flask's wall, mm.
pub const PIECES_DEPTH_MM: f64 = 10.0;
/// Diameter of a flask whose card does not say, mm: common practice, 75 to 150. In the first
/// three minutes it makes hardly a difference to the pieces.
pub const USUAL_DIAMETER_MM: f64 = 100.0;
/// Difference between the shelves of a kiln that was not surveyed, hottest to coolest, K
/// (common practice).
pub const USUAL_KILN_SPREAD_K: f64 = 30.0;
/// The room, °C. Ten kelvin more or less change the pieces by a tenth of a kelvin a minute.
pub const ROOM_C: f64 = 25.0;

/// Longest time out of the kiln that is reckoned with, s: by then a flask is past casting.
pub const LONGEST_S: f64 = 3600.0;
/// A kiln colder than this holds no flask that is to be cast, °C (common practice: 400 to
/// 705 °C).
pub const COLDEST_KILN_C: f64 = 250.0;

/// Stefan–Boltzmann constant, W/(m² K⁴): 5.670 374 419e-8 (CODATA 2018, exact in the SI).
const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;
const ICE_POINT_K: f64 = 273.15;

/// Emissivity of oxidised steel and investment (from memory of handbook tables, 0.7 to 0.9).
const EMISSIVITY: f64 = 0.8;
/// Natural convection from a cylinder of flask size in still air, W/(m² K) (from memory of
/// textbook correlations, 5 to 15).
const CONVECTION_W_M2K: f64 = 10.0;
/// Heat capacity of the steel shell, J/(m² K): 1.2 mm, three quarters of it solid, 7900 kg/m³
/// and 550 J/(kg K) (stainless steel near 500 °C; from memory).
const SHELL_J_M2K: f64 = 0.0012 * 0.75 * 7900.0 * 550.0;

/// A mould's thermal behaviour, and how well it is known: three figures whose logarithms are
/// jointly normal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mould {
    /// Thermal conductivity of the burnt-out investment, W/(m K).
    pub conductivity_w_mk: f64,
    /// Its heat capacity, J/(m³ K).
    pub capacity_j_m3k: f64,
    /// How strongly the wall loses heat, as a multiple of radiation with an emissivity of 0.8
    /// and convection of 10 W/(m² K).
    pub wall_loss: f64,
    /// Covariance of the logarithms of the three, in this order.
    pub covariance: [[f64; 3]; 3],
}

impl Default for Mould {
    /// Gypsum-bonded investment at 40 parts of water, from the literature: conductivity 0.5
    /// (0.3 to 0.8) W/(m K) (porous silica and anhydrite, from memory), 1250 kg/m³ (from the
    /// water ratio) at 1050 J/(kg K) (from memory) to 10 %, wall loss 1 to 18 % (emissivity 0.5
    /// to 0.95, convection 5 to 15). The conductivity's range is taken as a rectangular
    /// distribution of its logarithm (JCGM 100:2008, 4.3.7).
    fn default() -> Mould {
        let conductivity_sd = (0.8_f64 / 0.3).ln() / 12.0_f64.sqrt();
        Mould {
            conductivity_w_mk: 0.5,
            capacity_j_m3k: 1250.0 * 1050.0,
            wall_loss: 1.0,
            covariance: [
                [conductivity_sd.powi(2), 0.0, 0.0],
                [0.0, 0.10_f64.powi(2), 0.0],
                [0.0, 0.0, 0.18_f64.powi(2)],
            ],
        }
    }
}

impl Mould {
    /// The three figures' logarithms moved by these amounts.
    fn moved(&self, by: [f64; 3]) -> Mould {
        Mould {
            conductivity_w_mk: self.conductivity_w_mk * by[0].exp(),
            capacity_j_m3k: self.capacity_j_m3k * by[1].exp(),
            wall_loss: self.wall_loss * by[2].exp(),
            covariance: self.covariance,
        }
    }

    /// Temperatures along the radius of a flask after so long out of the kiln, °C.
    fn profile(&self, diameter_mm: f64, from_c: f64, seconds: f64) -> Profile {
        let body = Body {
            radius_m: diameter_mm / 2000.0,
            conductivity_w_mk: self.conductivity_w_mk,
            capacity_j_m3k: self.capacity_j_m3k,
            shell_j_m2k: SHELL_J_M2K,
        };
        let room_k = ROOM_C + ICE_POINT_K;
        cool(&body, from_c, seconds, Fineness::USUAL, |celsius| {
            let kelvin = celsius + ICE_POINT_K;
            let radiated = EMISSIVITY * STEFAN_BOLTZMANN * (kelvin.powi(4) - room_k.powi(4));
            let slope = 4.0 * EMISSIVITY * STEFAN_BOLTZMANN * kelvin.powi(3) + CONVECTION_W_M2K;
            let convected = CONVECTION_W_M2K * (kelvin - room_k);
            (
                self.wall_loss * (radiated + convected),
                self.wall_loss * slope,
            )
        })
    }
}

/// A flask's way from the kiln to the pour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Way {
    /// What the flask had in the kiln, °C.
    pub kiln_c: f64,
    /// Standard uncertainty of that, K: shelf and sensor.
    pub kiln_sd_k: f64,
    /// Time out of the kiln, s.
    pub seconds: f64,
    /// Standard uncertainty of that, s.
    pub seconds_sd: f64,
    /// The flask's diameter, mm, if it is known.
    pub diameter_mm: Option<f64>,
}

/// A temperature and its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// °C.
    pub celsius: f64,
    /// K.
    pub sd_k: f64,
}

/// A flask's temperatures as the metal comes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooled {
    /// Where the pieces hang, [`PIECES_DEPTH_MM`] inside the wall.
    pub pieces: Known,
    /// On the axis.
    pub axis: Known,
    /// The wall itself: what a pyrometer would see.
    pub wall_c: f64,
}

/// A flask's temperatures at the end of its way. Standard uncertainties are those of the inputs
/// carried through by half the difference of one standard uncertainty up and down
/// (JCGM 100:2008, 5.1.2 and 5.1.3 note 2). `None` for a kiln below [`COLDEST_KILN_C`], a
/// time below 0 or over [`LONGEST_S`], a diameter that is none, or figures that are not numbers.
///
/// ```
/// # use analysis::cooling::{Mould, Way, cooled};
/// let way = Way { kiln_c: 600.0, kiln_sd_k: 9.0, seconds: 60.0, seconds_sd: 5.0,
///                 diameter_mm: Some(100.0) };
/// let flask = cooled(&Mould::default(), &way).unwrap();
/// // The pieces have lost some 10 K, the axis nothing.
/// assert!((580.0..595.0).contains(&flask.pieces.celsius));
/// assert!((flask.axis.celsius - 600.0).abs() < 0.1);
/// ```
pub fn cooled(mould: &Mould, way: &Way) -> Option<Cooled> {
    let diameter_mm = way.diameter_mm.unwrap_or(USUAL_DIAMETER_MM);
    let sane = (COLDEST_KILN_C..=1100.0).contains(&way.kiln_c)
        && (0.0..=LONGEST_S).contains(&way.seconds)
        && ranges::DIAMETER_MM.contains(&diameter_mm)
        && way.kiln_sd_k >= 0.0
        && way.seconds_sd >= 0.0
        && way.kiln_sd_k.is_finite()
        && way.seconds_sd.is_finite();
    if !sane {
        return None;
    }
    let at = |mould: &Mould, diameter_mm: f64, kiln_c: f64, seconds: f64| {
        let profile = mould.profile(diameter_mm, kiln_c, seconds.max(0.0));
        [
            profile.at_depth(PIECES_DEPTH_MM / 1000.0),
            profile.axis(),
            profile.wall(),
        ]
    };
    let here = at(mould, diameter_mm, way.kiln_c, way.seconds);
    let mut variance = [0.0; 2];
    let mut carry = |up: [f64; 3], down: [f64; 3]| {
        for (sum, (u, d)) in variance.iter_mut().zip(up.iter().zip(down)) {
            *sum += ((u - d) / 2.0).powi(2);
        }
    };
    carry(
        at(mould, diameter_mm, way.kiln_c + way.kiln_sd_k, way.seconds),
        at(mould, diameter_mm, way.kiln_c - way.kiln_sd_k, way.seconds),
    );
    carry(
        at(mould, diameter_mm, way.kiln_c, way.seconds + way.seconds_sd),
        at(mould, diameter_mm, way.kiln_c, way.seconds - way.seconds_sd),
    );
    for step in ranges::spread(&mould.covariance) {
        let back = step.map(|s| -s);
        carry(
            at(&mould.moved(step), diameter_mm, way.kiln_c, way.seconds),
            at(&mould.moved(back), diameter_mm, way.kiln_c, way.seconds),
        );
    }
    if way.diameter_mm.is_none() {
        carry(
            at(
                mould,
                diameter_mm + ranges::DIAMETER_SD_MM,
                way.kiln_c,
                way.seconds,
            ),
            at(
                mould,
                diameter_mm - ranges::DIAMETER_SD_MM,
                way.kiln_c,
                way.seconds,
            ),
        );
    }
    let [pieces, axis, wall_c] = here;
    Some(Cooled {
        pieces: Known {
            celsius: pieces,
            sd_k: variance[0].sqrt(),
        },
        axis: Known {
            celsius: axis,
            sd_k: variance[1].sqrt(),
        },
        wall_c,
    })
}

/// The classical problem, to hold the method against published solutions: a bare body of this
/// diameter with the mould's conductivity and heat capacity, from `start_k` over surroundings to
/// which it loses `h_w_m2k`, after so long, at these depths inside the wall (mm). Temperatures
/// over the surroundings, K, in the order of the depths.
pub fn with_constant_coefficient(
    mould: &Mould,
    diameter_mm: f64,
    h_w_m2k: f64,
    start_k: f64,
    seconds: f64,
    depths_mm: &[f64],
) -> Vec<f64> {
    let body = Body {
        radius_m: diameter_mm / 2000.0,
        conductivity_w_mk: mould.conductivity_w_mk,
        capacity_j_m3k: mould.capacity_j_m3k,
        shell_j_m2k: 0.0,
    };
    let profile = cool(&body, start_k, seconds, Fineness::USUAL, |over_k| {
        (h_w_m2k * over_k, h_w_m2k)
    });
    depths_mm
        .iter()
        .map(|depth| profile.at_depth(depth / 1000.0))
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

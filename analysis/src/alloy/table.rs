//! The figures. `from memory` marks a value recalled from the named handbook and not re-read;
//! `calculated` marks an equilibrium calculation from published thermodynamic data, good to
//! about 5 °C. Ranges that handbooks give as "about" enter with their ends. Suppliers' alloys
//! of the same fineness differ: the shop's own sheet goes before this table.

use super::Alloy;

/// Fixed points, ITS-90; densities, CRC Handbook; both from memory.
const PURE: &str =
    "ITS-90 fixed point and CRC Handbook density, from memory; pour range common practice";
/// Silver–copper of other fineness than the handbooks list.
const AG_CU_CALC: &str = "solidus and liquidus calculated from published Ag-Cu thermodynamic data (about 5 °C); \
     density by linear-volume mixing; pour range liquidus + 50 to 110 °C, common practice";
/// Sterling and coin silver.
const AG_CU_HANDBOOK: &str = "solidus and liquidus ASM Metals Handbook, from memory; density by linear-volume mixing; \
     pour range common practice";
/// Silver–copper at or below the eutectic's reach.
const AG_CU_EUTECTIC: &str = "solidus the Ag-Cu eutectic, 779 °C (Subramanian & Perepezko 1993, from memory), liquidus \
     calculated; density by linear-volume mixing; pour range liquidus + 50 to 110 °C, common practice";
/// Karat golds without zinc.
const AU_AG_CU: &str = "melting range World Gold Council technical manuals, from memory; density by linear-volume \
     mixing; pour range liquidus + 50 to 110 °C, common practice";
/// Karat golds known only by a bench-table liquidus.
const AU_BENCH: &str = "liquidus common bench tables, from memory; solidus taken 40 °C lower and density from the \
     middle of the usual compositions, both rough; pour range common practice";
/// Copper alloys with a UNS number.
const CU_UNS: &str =
    "published data for the UNS number; pour range liquidus + 65 to 150 °C, common practice";

/// A white that takes up carbon.
const NO_GRAPHITE: &str = "nickel and palladium whites take up carbon from bare graphite: use a ceramic crucible or liner";
/// An alloy that loses zinc.
const ZINC: &str = "zinc boils at 907 °C: short melt, least superheat, strong extraction, no vacuum over the melt; \
     its fume is harmful";
/// Close to what gypsum takes.
const HOT_FOR_GYPSUM: &str =
    "at the edge of what gypsum-bonded moulds take: expect sulphur fume and rough surfaces";

/// name, composition, solidus, liquidus, density, pour from, pour to, caution, source.
type Row = (
    &'static str,
    &'static str,
    f64,
    f64,
    f64,
    f64,
    f64,
    Option<&'static str>,
    &'static str,
);

#[rustfmt::skip]
const ROWS: [Row; 32] = [
    ("fine-silver", "Ag 100", 961.8, 961.8, 10.49, 1010.0, 1060.0, None, PURE),
    ("silver-970", "Ag 97 Cu 3", 903.0, 934.0, 10.44, 985.0, 1045.0, None, AG_CU_CALC),
    ("silver-960", "Ag 96 Cu 4", 882.0, 925.0, 10.42, 940.0, 1010.0, None, AG_CU_CALC),
    ("britannia-958", "Ag 95.8 Cu 4.2", 878.0, 924.0, 10.42, 940.0, 1010.0, None, AG_CU_CALC),
    ("silver-950", "Ag 95 Cu 5", 861.0, 917.0, 10.40, 940.0, 1010.0, None, AG_CU_CALC),
    ("silver-935", "Ag 93.5 Cu 6.5", 826.0, 904.0, 10.37, 940.0, 1010.0, Some("935 with germanium or zinc has a lower solidus: enter the supplier's figures"), AG_CU_CALC),
    ("sterling-925", "Ag 92.5 Cu 7.5", 802.0, 893.0, 10.36, 940.0, 1000.0, None, AG_CU_HANDBOOK),
    ("coin-900", "Ag 90 Cu 10", 779.0, 877.0, 10.31, 930.0, 990.0, None, AG_CU_HANDBOOK),
    ("silver-835", "Ag 83.5 Cu 16.5", 779.0, 834.0, 10.20, 885.0, 945.0, None, AG_CU_EUTECTIC),
    ("silver-800", "Ag 80 Cu 20", 779.0, 815.0, 10.14, 865.0, 925.0, None, AG_CU_EUTECTIC),
    ("silver-copper-eutectic", "Ag 71.9 Cu 28.1", 779.1, 779.1, 10.0, 830.0, 890.0, None, AG_CU_EUTECTIC),
    ("gold-24k", "Au 100", 1064.2, 1064.2, 19.3, 1115.0, 1175.0, None, PURE),
    ("gold-22k-yellow", "Au 91.7 Ag 5.5 Cu 2.8", 995.0, 1020.0, 17.9, 1070.0, 1130.0, None, AU_AG_CU),
    ("gold-22k-dark-yellow", "Au 91.7 Ag 3.2 Cu 5.1", 964.0, 982.0, 17.8, 1030.0, 1090.0, None, AU_AG_CU),
    ("gold-18k-pale-yellow", "Au 75 Ag 16 Cu 9", 895.0, 920.0, 15.6, 970.0, 1030.0, None, AU_AG_CU),
    ("gold-18k-yellow", "Au 75 Ag 12.5 Cu 12.5", 885.0, 895.0, 15.45, 950.0, 1020.0, None, AU_AG_CU),
    ("gold-18k-pink", "Au 75 Ag 9 Cu 16", 880.0, 885.0, 15.3, 935.0, 995.0, None, AU_AG_CU),
    ("gold-18k-red", "Au 75 Ag 4.5 Cu 20.5", 890.0, 895.0, 15.15, 945.0, 1005.0, Some("orders and turns brittle if cooled slowly: quench as the supplier says"), AU_AG_CU),
    ("gold-14k-pale-yellow", "Au 58.5 Ag 30 Cu 11.5", 820.0, 885.0, 13.9, 950.0, 1020.0, None, AU_AG_CU),
    ("gold-14k-yellow", "Au 58.5 Ag 20.5 Cu 21", 820.0, 850.0, 13.65, 950.0, 1020.0, None, AU_AG_CU),
    ("gold-14k-red", "Au 58.5 Ag 9 Cu 32.5", 850.0, 885.0, 13.3, 935.0, 995.0, None, AU_AG_CU),
    ("gold-10k-yellow", "", 800.0, 907.0, 11.6, 960.0, 1020.0, None, AU_BENCH),
    ("gold-18k-nickel-white", "", 903.0, 943.0, 14.6, 1011.0, 1060.0, Some(NO_GRAPHITE), AU_BENCH),
    ("gold-14k-nickel-white", "", 956.0, 996.0, 12.7, 1027.0, 1068.0, Some(NO_GRAPHITE), AU_BENCH),
    ("gold-10k-nickel-white", "", 1039.0, 1079.0, 11.1, 1093.0, 1135.0, Some(NO_GRAPHITE), AU_BENCH),
    ("copper", "Cu 100", 1084.6, 1084.6, 8.96, 1150.0, 1180.0, Some(HOT_FOR_GYPSUM), PURE),
    ("tin-bronze-c90500", "Cu 88 Sn 10 Zn 2", 854.0, 999.0, 8.72, 1065.0, 1150.0, Some(HOT_FOR_GYPSUM), CU_UNS),
    ("tin-bronze-c90300", "Cu 87.7 Sn 8.3 Zn 4", 854.0, 1000.0, 8.80, 1065.0, 1150.0, Some(HOT_FOR_GYPSUM), CU_UNS),
    ("silicon-bronze-c87300", "Cu 95 Si 4 Mn 1", 821.0, 971.0, 8.36, 1035.0, 1120.0, None, CU_UNS),
    ("silicon-bronze-c65500", "Cu 96 Si 3 Mn 1", 970.0, 1025.0, 8.53, 1090.0, 1150.0, Some(HOT_FOR_GYPSUM), CU_UNS),
    ("silicon-brass-c87500", "Cu 82 Zn 14 Si 4", 821.0, 917.0, 8.28, 982.0, 1093.0, Some(ZINC), "published data for the UNS number, pour range included"),
    ("brass-c26000", "Cu 70 Zn 30", 916.0, 954.0, 8.53, 1010.0, 1065.0, Some(ZINC), CU_UNS),
];

/// Other names, as [`super::key`] leaves them, and the table's.
const OTHER_NAMES: [(&str, &str); 37] = [
    ("sterling", "sterling-925"),
    ("sterlingsilver", "sterling-925"),
    ("925", "sterling-925"),
    ("ag925", "sterling-925"),
    ("925ag", "sterling-925"),
    ("silver925", "sterling-925"),
    ("925silver", "sterling-925"),
    ("silver", "fine-silver"),
    ("999", "fine-silver"),
    ("ag999", "fine-silver"),
    ("silver999", "fine-silver"),
    ("958", "britannia-958"),
    ("britannia", "britannia-958"),
    ("silver958", "britannia-958"),
    ("coin", "coin-900"),
    ("coinsilver", "coin-900"),
    ("silver900", "coin-900"),
    ("935", "silver-935"),
    ("950silver", "silver-950"),
    ("960", "silver-960"),
    ("24k", "gold-24k"),
    ("finegold", "gold-24k"),
    ("22kyellow", "gold-22k-yellow"),
    ("18kyellow", "gold-18k-yellow"),
    ("750yellow", "gold-18k-yellow"),
    ("18krose", "gold-18k-pink"),
    ("18kpink", "gold-18k-pink"),
    ("18kred", "gold-18k-red"),
    ("14kyellow", "gold-14k-yellow"),
    ("585yellow", "gold-14k-yellow"),
    ("14kred", "gold-14k-red"),
    ("10kyellow", "gold-10k-yellow"),
    ("tinbronze", "tin-bronze-c90500"),
    ("siliconbronze", "silicon-bronze-c87300"),
    ("siliconbrass", "silicon-brass-c87500"),
    ("brass", "brass-c26000"),
    ("brass7030", "brass-c26000"),
];

/// The table's name for another name, as [`super::key`] leaves it.
pub(super) fn other_name(key: &str) -> Option<&'static str> {
    OTHER_NAMES
        .iter()
        .find(|(other, _)| *other == key)
        .map(|(_, name)| *name)
}

/// The table.
pub(super) fn standard() -> Vec<Alloy> {
    ROWS.iter()
        .map(|row| Alloy {
            name: row.0.to_owned(),
            composition: row.1.to_owned(),
            solidus_c: row.2,
            liquidus_c: row.3,
            density_g_cm3: row.4,
            pour_low_c: row.5,
            pour_high_c: row.6,
            caution: row.7.map(str::to_owned),
            source: row.8.to_owned(),
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_other_name_leads_to_an_alloy() {
        let table = standard();
        for (other, name) in OTHER_NAMES {
            assert_eq!(super::super::key(other), other);
            assert!(table.iter().any(|a| a.name == name), "{name}");
        }
    }

    /// UNS values as published data sheets print them: C87300 1510/1780 °F, C90500
    /// 1570/1830 °F, C87500 1510/1683 °F, C26000 1680/1750 °F, C65500 1780/1880 °F.
    #[test]
    fn copper_alloys_match_their_sheets_in_fahrenheit() {
        let table = standard();
        for (name, solidus_f, liquidus_f) in [
            ("silicon-bronze-c87300", 1510.0, 1780.0),
            ("tin-bronze-c90500", 1570.0, 1830.0),
            ("silicon-brass-c87500", 1510.0, 1683.0),
            ("brass-c26000", 1680.0, 1750.0),
            ("silicon-bronze-c65500", 1780.0, 1880.0),
        ] {
            let alloy = table.iter().find(|a| a.name == name).unwrap();
            for (ours_c, printed_f) in
                [(alloy.solidus_c, solidus_f), (alloy.liquidus_c, liquidus_f)]
            {
                let printed_c = crate::units::Unit::Fahrenheit.to_canonical(printed_f);
                assert!(
                    (ours_c - printed_c).abs() < 2.0,
                    "{name}: {ours_c} {printed_c}"
                );
            }
        }
    }

    /// Silver–copper. Handbook: sterling 802/893 °C, coin silver 779/877 °C (ASM Metals
    /// Handbook, from memory; other publications give sterling's liquidus as 891 to 899);
    /// eutectic 779.1 °C at 28.1 % Cu, greatest solubility of copper 8.8 %
    /// (Subramanian & Perepezko, J. Phase Equilibria 14 (1993) 62, from memory); silver 961.78 °C
    /// (ITS-90).
    #[test]
    fn silver_copper_freezes_as_the_handbooks_say() {
        let table = standard();
        let of = |name: &str| table.iter().find(|a| a.name == name).unwrap();
        for (name, solidus_c, liquidus_c) in [
            ("fine-silver", 961.78, 961.78),
            ("sterling-925", 802.0, 893.0),
            ("coin-900", 779.0, 877.0),
            ("silver-copper-eutectic", 779.1, 779.1),
        ] {
            let alloy = of(name);
            assert!((alloy.solidus_c - solidus_c).abs() < 1.0, "{name}");
            assert!((alloy.liquidus_c - liquidus_c).abs() < 2.5, "{name}");
        }
        // More copper melts lower all the way to the eutectic, and beyond what silver can
        // dissolve the last to freeze is the eutectic itself.
        let copper = |a: &Alloy| -> Option<f64> {
            let rest = a.composition.strip_prefix("Ag ")?;
            let silver: f64 = rest.split(' ').next()?.parse().ok()?;
            Some(100.0 - silver)
        };
        let mut silver_copper: Vec<(f64, &Alloy)> =
            table.iter().filter_map(|a| Some((copper(a)?, a))).collect();
        silver_copper.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert!(silver_copper.len() >= 10);
        for pair in silver_copper.windows(2) {
            assert!(
                pair[1].1.liquidus_c < pair[0].1.liquidus_c,
                "{}",
                pair[1].1.name
            );
            assert!(
                pair[1].1.solidus_c <= pair[0].1.solidus_c + 0.1,
                "{}",
                pair[1].1.name
            );
        }
        for (copper, alloy) in &silver_copper {
            let at_eutectic = (alloy.solidus_c - 779.1).abs() < 0.2;
            assert_eq!(at_eutectic, *copper > 8.8, "{}", alloy.name);
        }
    }
}

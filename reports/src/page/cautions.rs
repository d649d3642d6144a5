//! The usual cautions of a casting bench, short enough to be read, and whom to defer to.
//!
//! Sources: crystalline silica, US 29 CFR 1910.1053; oxygen-deficient air below 19.5 % by
//! volume, US 29 CFR 1910.134; the rest is common practice.

/// The cautions, in the order in which they hurt.
pub const CAUTIONS: [&str; 6] = [
    "Molten metal and moisture: water under hot metal turns to steam at once and throws it. Dry and preheat metal, tools and moulds; never charge damp metal. Face shield, gloves, gaiters and clothing made for molten metal.",
    "Silica: investment powder, broken-out investment and the steam of quenching carry fine crystalline silica, which harms the lungs for good. Work wet, extract at the source, wear a fitted respirator, never sweep dry.",
    "Cover gas: argon and nitrogen have no smell and push out the air you breathe; argon gathers low. Ventilate, and keep an oxygen monitor at breathing height and where the gas would settle. Leave if it alarms (air below 19.5 % oxygen counts as deficient).",
    "Vacuum: glass bells and gauges under vacuum can implode. Guard them, discard cracked ones, and let air in slowly.",
    "Burnout and metal fume: wax smoke, carbon monoxide, sulphur dioxide and the fume of zinc, lead or cadmium need extraction to the outside. Never melt scrap of unknown make.",
    "pourbook advises. It is not an interlock, a gas alarm or a safety device, and it must not stand in for one. What it cannot hear it cannot tell.",
];

/// Who has the last word.
pub const DEFER: &str = "These are reminders, not rules for your bench: your local codes, the safety data sheets, and licensed gas, electrical and occupational-hygiene people come first.";

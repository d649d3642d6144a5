//! Targets, defect kinds, sections and the day of the report.

use super::*;

#[test]
fn a_target_carries_its_unit() {
    let target = |temperature: &str| {
        format!("[[target]]\nalloy = \"sterling-925\"\npour_temperature = {temperature}\n")
    };
    check(
        &target("968"),
        "pourbook.toml line 6, column 20: \"pour_temperature\" has no unit; write it with one, \
         in quotes, like \"968 Cel\"",
    );
    check(
        &target("\"968\""),
        "pourbook.toml line 6, column 20: \"pour_temperature\": \"968\" is not a temperature \
         with its unit; write it like \"968 Cel\"",
    );
    // A Fahrenheit figure declared as Celsius would melt the crucible.
    check(
        &target("\"1950 Cel\""),
        "pourbook.toml line 6, column 20: \"pour_temperature\" is 1950 Cel; it must be from \
         300 to 1900 Cel",
    );
    check(
        "[[target]]\nalloy = \"sterling-925\"\n",
        "pourbook.toml line 4, column 1: [[target]] has no \"pour_temperature\"; add \
         pour_temperature = \"968 Cel\"",
    );
    let config = with(&target("\"1775 degF\"")).unwrap();
    let target = &config.targets[0];
    assert_eq!(target.pour_temperature.to_string(), "1775 degF");
    assert!((target.pour_temperature.celsius - 968.33).abs() < 0.01);
    // No section of its own: it holds for all.
    assert_eq!(config.target("sterling-925", Some("thin")), Some(target));
    assert_eq!(config.target("bronze", None), None);
}

#[test]
fn two_targets_for_one_thing_are_one_too_many() {
    let one = "[[target]]\nalloy = \"a\"\nsection = \"thin\"\npour_temperature = \"968 Cel\"\n";
    let text = the_mistake(&format!("{SHOP}{one}{one}"));
    assert!(
        text.contains("already a [[target]] for \"a\", thin"),
        "{text}"
    );
    let text = the_mistake(&format!("{SHOP}{}", one.replace("thin", "thick")));
    assert!(text.contains("write one of thin, medium, heavy"), "{text}");
}

#[test]
fn more_defect_kinds_can_be_named() {
    let kind = |name: &str, side: &str| {
        format!("[[defect_kind]]\nname = \"{name}\"\nside = \"{side}\"\nmay_steer = true\n")
    };
    let config = with(&kind("pinholes", "rises-with-heat")).unwrap();
    assert!(config.defect_kinds.may_steer("pinholes"));
    assert!(config.defect_kinds.get("no-fill").is_some());
    for (name, side, why) in [
        ("no-fill", "either", "known to pourbook already"),
        ("Lost Stone", "either", "lower-case letters"),
        ("lost-stone", "hotter", "is not a side"),
        ("lost-stone", "not-the-pour", "may not steer it"),
    ] {
        let text = the_mistake(&format!("{SHOP}{}", kind(name, side)));
        assert!(text.contains(why), "{text}");
    }
}

#[test]
fn sections_and_reports_are_checked() {
    check(
        "[sections]\nthin_below_mm = 3\n",
        "pourbook.toml line 4, column 1: [sections] has thin below 3 mm and heavy above 2.5 mm; \
         thin must end before heavy begins",
    );
    check(
        "[reports]\nday = \"firday\"\n",
        "pourbook.toml line 5, column 7: \"firday\" is not a day of the week; did you mean \
         \"friday\"?",
    );
    assert!(the_mistake(&format!("{SHOP}[reports]\nhour = 24\n")).contains("from 0 to 23"));
    let config = with("[reports]\nday = \"sunday\"\nhour = 18\n").unwrap();
    assert_eq!(
        (config.reports.day, config.reports.hour),
        (Weekday::Sunday, 18)
    );
}

#[test]
fn a_kiln_runs_a_programme_that_is_written_down() {
    let shop = "[shop]\nname = \"a\"\ntime_zone = \"Europe/Dublin\"\n";
    let programme = "[[programme]]\nname = \"usual\"\nsteps = [{ to = \"302 degF\", ramp = \"315 \
                     degF/h\", hold_min = 60 }, { to = \"730 Cel\", hold_min = 90 }, {}]\n";
    let kiln = "[[kiln]]\nname = \"kiln-1\"\nprogramme = \"usual\"\n";
    let config = Config::parse(&format!("{shop}{programme}{kiln}"), "pourbook.toml").unwrap();
    assert_eq!(config.kilns[0].highest_c, 760.0);
    let steps = config.programme("usual").unwrap().steps();
    assert!((steps[0].to_c.unwrap() - 150.0).abs() < 1e-9);
    assert!((steps[0].ramp_k_h.unwrap() - 175.0).abs() < 1e-9);
    assert_eq!((steps[2].to_c, steps[2].hold_min), (None, None));
    for (text, expected) in [
        (
            format!("{shop}{kiln}"),
            "there is no [[programme]] named \"usual\"",
        ),
        (
            format!("{shop}{programme}{kiln}highest_temperature = \"700 Cel\"\n"),
            "the programme \"usual\" goes to 730 °C and \"highest_temperature\" is 700 °C",
        ),
        (
            format!("{shop}[[programme]]\nname = \"x\"\nsteps = []\n"),
            "a programme has at least one step",
        ),
        (
            format!(
                "{shop}[[programme]]\nname = \"x\"\nsteps = [{{ to = \"150 Cel\", ramp = \"fast\" }}]\n"
            ),
            "\"fast\" is no speed of heating",
        ),
        (
            format!("{shop}[[programme]]\nname = \"x\"\nsteps = [{{ to = 150 }}]\n"),
            "\"to\" has no unit",
        ),
    ] {
        let error = Config::parse(&text, "pourbook.toml")
            .unwrap_err()
            .to_string();
        assert!(error.contains(expected), "{error}");
    }
}

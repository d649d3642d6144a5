//! Kilns, machines and their channels: units, topics, limits, names.

use super::*;

#[test]
fn a_machine_may_have_no_channels() {
    let config = with("[[machine]]\nname = \"old-bench\"\n").unwrap();
    assert!(config.machine("old-bench").unwrap().channels.is_empty());
}

#[test]
fn units_must_fit_their_channel() {
    check(
        &vacuum("unit = \"degF\""),
        "pourbook.toml line 8, column 8: \"degF\" is not a unit of vacuum; the units are kPa, \
         mbar, hPa, Pa, MPa, bar, Torr, mmHg, inHg, psi",
    );
    check(
        &vacuum(""),
        "pourbook.toml line 6, column 1: [machine.channels.vacuum] has no \"unit\"; add unit = \
         \"mbar\"",
    );
    check(
        "[[machine]]\nname = \"b\"\n[machine.channels.stopper]\ntopic = \"s\"\nunit = \"mbar\"\n",
        "pourbook.toml line 8, column 1: \"stopper\" is a switch and has no unit; take \"unit\" \
         out",
    );
}

#[test]
fn channels_are_known_and_belong_to_their_owner() {
    let channel = |name: &str| {
        format!(
            "[[machine]]\nname = \"b\"\n[machine.channels.{name}]\ntopic = \"t\"\nunit = \
             \"Cel\"\n"
        )
    };
    check(
        &channel("melt_temprature"),
        "pourbook.toml line 6, column 19: unknown channel \"melt_temprature\"; did you mean \
         \"melt_temperature\"?",
    );
    check(
        &channel("kiln_temperature"),
        "pourbook.toml line 6, column 19: \"kiln_temperature\" is not a channel of \
         [machine.channels]; move it to [kiln.channels] of a [[kiln]]",
    );
    // The number of a kiln is given by the machine that names it.
    assert!(
        the_mistake(&format!("{SHOP}[[kiln]]\nname = \"k\"\n[kiln.channels.\"kiln_temperature.2\"]\ntopic = \"t\"\nunit = \"Cel\"\n"))
            .contains("unknown channel \"kiln_temperature.2\"")
    );
}

#[test]
fn topics_are_exact_and_taken_once() {
    for (topic, why) in [
        ("shop/+/melt", "has a wildcard"),
        ("shop/#", "has a wildcard"),
        ("$SYS/broker", "begins with $"),
        (" shop/melt", "begins or ends with a space"),
        ("shop/\\u0007melt", "cannot be seen"),
    ] {
        let body = format!(
            "[[machine]]\nname = \"b\"\n[machine.channels.vacuum]\ntopic = \"{topic}\"\nunit = \
             \"kPa\"\n"
        );
        let text = the_mistake(&format!("{SHOP}{body}"));
        assert!(text.contains(why), "{text}");
        assert!(
            text.starts_with("pourbook.toml line 7, column 9: "),
            "{text}"
        );
    }
    let two = |first: &str, second: &str| {
        format!(
            "[[machine]]\nname = \"b\"\n[machine.channels.melt_temperature]\ntopic = \
             \"t\"\nunit = \"Cel\"\n{first}\n[machine.channels.vacuum]\ntopic = \"t\"\nunit = \
             \"kPa\"\n{second}\n"
        )
    };
    check(
        &two("", ""),
        "pourbook.toml line 11, column 9: the topic \"t\" is already read by \
         [machine.channels.melt_temperature] (melt_temperature); give each channel its own \
         topic, or tell them apart with value = \"/name\"",
    );
    check(
        &two("value = \"/x\"", "value = \"/x\""),
        "pourbook.toml line 11, column 9: \"/x\" of the topic \"t\" is already read by \
         [machine.channels.melt_temperature] (melt_temperature); keep one",
    );
    // A payload is a number or an object, never both.
    for (first, second) in [("", "value = \"/x\""), ("value = \"/x\"", "")] {
        let text = the_mistake(&format!("{SHOP}{}", two(first, second)));
        assert!(text.contains("tell them apart with value"), "{text}");
    }
    // One JSON payload may carry several values.
    let config = with(&two("value = \"/melt\"", "value = \"/vacuum\"")).unwrap();
    assert_eq!(config.routes()["t"].len(), 2);
}

#[test]
fn a_pointer_follows_rfc_6901() {
    for good in ["", "/", "/a/0", "/a~0b/c~1d"] {
        let body = vacuum(&format!("unit = \"kPa\"\nvalue = \"{good}\""));
        let config = with(&body).unwrap();
        assert_eq!(config.machines[0].channels[0].value_pointer, good);
    }
    for bad in ["a", "/a~2", "/a~"] {
        let body = vacuum(&format!("unit = \"kPa\"\ntime = \"{bad}\""));
        let text = the_mistake(&format!("{SHOP}{body}"));
        assert!(text.contains("is not a JSON Pointer"), "{text}");
    }
}

#[test]
fn limits_are_stored_in_the_channels_own_unit() {
    check(
        &vacuum("unit = \"mbar\"\nmin = 900\nmax = 900"),
        "pourbook.toml line 9, column 7: \"min\" is 900 and \"max\" is 900; min must be less than \
         max",
    );
    let limits = |lines: &str| {
        let config = with(&vacuum(lines)).unwrap();
        let heard = &config.machines[0].channels[0];
        (heard.min, heard.max, heard.sense)
    };
    // 1 mbar is 0.1 kPa.
    let (min, max, sense) = limits("unit = \"mbar\"\nmin = -50\nmax = 1050");
    assert!((min.unwrap() + 5.0).abs() < 1e-9 && (max.unwrap() - 105.0).abs() < 1e-9);
    assert_eq!(sense, Sense::BelowAmbient);
    // Absolute: the least reading is the deepest vacuum.
    let (min, max, sense) = limits("unit = \"kPa\"\nsense = \"absolute\"\nmin = 1.325");
    assert_eq!(min, None);
    assert!((max.unwrap() - 100.0).abs() < 1e-9);
    assert_eq!(sense, Sense::Absolute);
    assert!(
        the_mistake(&format!(
            "{SHOP}{}",
            vacuum("unit = \"kPa\"\nsense = \"gauge\"")
        ))
        .contains("is not a sense of vacuum")
    );
}

#[test]
fn switches_never_go_stale_and_kilns_are_slow() {
    let config = with(
        "[[kiln]]\nname = \"k\"\n[kiln.channels.kiln_temperature]\ntopic = \"k\"\nunit = \
         \"degF\"\n[[machine]]\nname = \"b\"\n[machine.channels.stopper]\ntopic = \
         \"s\"\n[machine.channels.vacuum]\ntopic = \"v\"\nunit = \"kPa\"\n",
    )
    .unwrap();
    assert_eq!(config.kilns[0].channels[0].stale_after_s, 300.0);
    let stale: Vec<f64> = config.machines[0]
        .channels
        .iter()
        .map(|h| h.stale_after_s)
        .collect();
    assert_eq!(stale, [f64::INFINITY, 5.0]);
}

/// Factors of trade tables for a tube scaled for one gas and carrying another: air to argon
/// 0.852, nitrogen to argon 0.837 (from the molar masses); argon to nitrogen 1.194.
#[test]
fn a_flow_tube_is_corrected_for_its_gas() {
    let factor = |scale: &str, flows: &str| {
        let body = format!(
            "[[machine]]\nname = \"b\"\n[machine.channels.gas_flow]\ntopic = \"g\"\nunit = \
             \"L/min\"\nscale = {scale}\nflows = {flows}\n"
        );
        with(&body).map(|c| c.machines[0].channels[0].flow_factor)
    };
    for (scale, flows, expected) in [
        ("air", "argon", 0.852),
        ("nitrogen", "argon", 0.837),
        ("argon", "nitrogen", 1.194),
        ("argon", "argon", 1.0),
    ] {
        let f = factor(
            &format!("{{ gas = \"{scale}\" }}"),
            &format!("{{ gas = \"{flows}\" }}"),
        )
        .unwrap();
        assert!((f - expected).abs() < 0.001, "{scale} to {flows}: {f}");
    }
    // Twice the pressure is twice the density: the line's own volume is less by √2.
    let f = factor(
        "{ gas = \"air\", pressure = \"100 kPa\" }",
        "{ gas = \"air\", pressure = \"2 bar\" }",
    )
    .unwrap();
    assert!((f - 0.5f64.sqrt()).abs() < 1e-9);
    let text = factor("{ gas = \"aargon\" }", "{ gas = \"air\" }")
        .unwrap_err()
        .to_string();
    assert!(
        text.contains("unknown gas \"aargon\"; did you mean \"argon\"?"),
        "{text}"
    );
    check(
        "[[machine]]\nname = \"b\"\n[machine.channels.gas_flow]\ntopic = \"g\"\nunit = \
         \"L/min\"\nscale = { gas = \"air\" }\n",
        "pourbook.toml line 6, column 1: [machine.channels.gas_flow] has only one of \"scale\" \
         and \"flows\"; give both, like scale = { gas = \"air\" } and flows = { gas = \"argon\" }",
    );
}

#[test]
fn kilns_are_named_before_they_are_used() {
    check(
        "[[kiln]]\nname = \"kiln-1\"\n[[machine]]\nname = \"b\"\nkilns = [\"kiln-l\"]\n",
        "pourbook.toml line 8, column 10: there is no [[kiln]] named \"kiln-l\"; did you mean \
         \"kiln-1\"?",
    );
    assert!(
        the_mistake(&format!(
            "{SHOP}[[machine]]\nname = \"b\"\nkilns = \"kiln-1\"\n"
        ))
        .contains("it must be a list of texts")
    );
}

#[test]
fn names_fit_a_file_name_and_are_taken_once() {
    for bad in [
        "bench 1",
        "../etc",
        "bänk",
        ".hidden",
        "-x",
        "a/b",
        "shop",
        &"x".repeat(41),
    ] {
        let text = the_mistake(&format!("{SHOP}[[machine]]\nname = \"{bad}\"\n"));
        assert!(
            text.starts_with("pourbook.toml line 5, column 8: "),
            "{text}"
        );
    }
    check(
        "[[kiln]]\nname = \"One\"\n[[machine]]\nname = \"one\"\n",
        "pourbook.toml line 7, column 8: the name \"one\" is taken by \"One\"; choose another",
    );
}

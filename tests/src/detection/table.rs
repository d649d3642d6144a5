//! The tally as a table in Markdown, for reading and for keeping in `DEVELOPERS.md`, and as
//! JSON for comparing.

use std::fmt::{self, Display};

use analysis::pour::Weighed;
use serde_json::{Value, json};

use super::score::Score;
use super::tally::{Pours, Pulls, Tally, middle, quantile, share};

/// The words of the counts in [`Pulls`], in their order.
const VERDICTS: [&str; 5] = ["good", "weak", "missing", "unknown", "none"];

impl Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.pours_table(f)?;
        self.confidence_table(f)?;
        self.pulls_table(f)?;
        let revised = &self.revised;
        writeln!(
            f,
            "\nOf {} pours told, {} were told at once and moved later (by {} s and {} K at most), \
             {} were withdrawn, {} came only in the end. Half are told within {} s of the lift, \
             nine in ten within {} s.",
            revised.told,
            revised.moved,
            number(quantile(&revised.by_s, 1.0)),
            number(quantile(&revised.by_k, 1.0)),
            revised.withdrawn,
            revised.added,
            number(quantile(&self.told_after_s, 0.5)),
            number(quantile(&self.told_after_s, 0.9)),
        )?;
        match self.differ.as_slice() {
            [] => writeln!(
                f,
                "\nFinal live answers and extraction of the written trace: the same in all {} \
                 sessions.",
                self.sessions
            ),
            seeds => writeln!(
                f,
                "\nFinal live answers and extraction of the written trace DIFFER in {} of {} \
                 sessions: {seeds:?}",
                seeds.len(),
                self.sessions
            ),
        }
    }
}

impl Tally {
    fn pours_table(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{} sessions, {} pours; {} false pours, {} of them told with a confidence of 0.5 or \
             more.\n",
            self.sessions, self.all.pours, self.false_pours, self.false_and_sure
        )?;
        writeln!(
            f,
            "| pours | number | found | in time | shape known | ≤ 1.5 K | ≤ 1.5 K without lag | middle s | \
             s p90 | s p99 | middle K | K p99 |"
        )?;
        writeln!(f, "|---|---|---|---|---|---|---|---|---|---|---|---|")?;
        line(f, "all", &self.all)?;
        line(f, "cannot be told from the trace", &self.untold)?;
        line(f, "all whose lift the trace shows", &self.shown)?;
        line(f, "… of those without a stopper switch", &self.from_trace)?;
        for ((rate, fahrenheit), pours) in &self.by_rate {
            let unit = if *fahrenheit { "whole °F" } else { "°C" };
            let hz = f64::from(*rate) / 1000.0;
            line(f, &format!("{hz} Hz, {unit}"), pours)?;
        }
        for (trouble, pours) in &self.by_trouble {
            line(f, trouble.words(), pours)?;
        }
        Ok(())
    }

    fn confidence_table(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\n| said confidence | told | said on average | were pours | … in time and \
             temperature |"
        )?;
        writeln!(f, "|---|---|---|---|---|")?;
        for (tenth, said) in &self.said {
            writeln!(
                f,
                "| 0.{tenth}–{} | {} | {:.2} | {} | {} |",
                f64::from(tenth + 1) / 10.0,
                said.told,
                said.said / said.told as f64,
                percent(said.pours, said.told),
                percent(said.right, said.told),
            )?;
        }
        Ok(())
    }

    fn pulls_table(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\n{} false pulls. Verdicts where vacuum is read at least once a second; \
             good / weak / missing / unknown / none, %:\n",
            self.false_pulls
        )?;
        writeln!(
            f,
            "| true worth | usual known | number | found | judged | 5 s after opening | as metal \
             leaves | in the end | alarmed before | first after, s p50 | p95 |"
        )?;
        writeln!(f, "|---|---|---|---|---|---|---|---|---|---|---|---|")?;
        for ((worth, usual), p) in &self.pulls {
            writeln!(
                f,
                "| {worth} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                if *usual { "yes" } else { "no" },
                p.pulls,
                percent(p.found, p.pulls),
                p.judged,
                verdicts(&p.at_5_s, p),
                verdicts(&p.at_the_end, p),
                verdicts(&p.in_the_end, p),
                percent(p.alarmed, p.judged),
                number(quantile(&p.first_after_s, 0.5)),
                number(quantile(&p.first_after_s, 0.95)),
            )?;
        }
        Ok(())
    }

    /// The same as JSON.
    pub fn json(&self) -> Value {
        let of = |p: &Pours| {
            json!({
                "pours": p.pours,
                "found": p.found,
                "in_time": p.in_time,
                "in_time_with_shape_known": p.ideal_in_time,
                "in_temperature": p.in_temperature,
                "in_lag_free_temperature": p.in_lag_free,
                "middle_s": middle(&p.late_s),
                "p90_s": quantile(&p.late_s, 0.9),
                "p99_s": quantile(&p.late_s, 0.99),
                "middle_k": middle(&p.off_k),
                "p99_k": quantile(&p.off_k, 0.99),
            })
        };
        let by_rate: Vec<Value> = self
            .by_rate
            .iter()
            .map(|((rate, fahrenheit), p)| {
                json!({
                    "hz": f64::from(*rate) / 1000.0,
                    "unit": if *fahrenheit { "whole degF" } else { "Cel" },
                    "pours": of(p),
                })
            })
            .collect();
        let by_trouble: Vec<Value> = self
            .by_trouble
            .iter()
            .map(|(trouble, p)| json!({"trouble": trouble.words(), "pours": of(p)}))
            .collect();
        let said: Vec<Value> = self
            .said
            .iter()
            .map(|(tenth, s)| {
                json!({
                    "from": f64::from(*tenth) / 10.0,
                    "told": s.told,
                    "said": s.said / s.told as f64,
                    "pours": s.pours,
                    "right": s.right,
                })
            })
            .collect();
        let pulls: Vec<Value> = self
            .pulls
            .iter()
            .map(|((worth, usual), p)| {
                json!({
                    "worth": worth,
                    "usual_known": usual,
                    "pulls": p.pulls,
                    "found": p.found,
                    "judged": p.judged,
                    "verdicts": VERDICTS,
                    "at_5_s": p.at_5_s,
                    "as_metal_leaves": p.at_the_end,
                    "in_the_end": p.in_the_end,
                    "alarmed": p.alarmed,
                    "first_p50_s": quantile(&p.first_after_s, 0.5),
                    "first_p95_s": quantile(&p.first_after_s, 0.95),
                })
            })
            .collect();
        json!({
            "sessions": self.sessions,
            "all": of(&self.all),
            "cannot_be_told": of(&self.untold),
            "shown": of(&self.shown),
            "from_trace": of(&self.from_trace),
            "by_rate": by_rate,
            "by_trouble": by_trouble,
            "false_pours": self.false_pours,
            "false_and_sure": self.false_and_sure,
            "confidence": said,
            "pulls": pulls,
            "false_pulls": self.false_pulls,
            "revised": {
                "told": self.revised.told,
                "moved": self.revised.moved,
                "withdrawn": self.revised.withdrawn,
                "added": self.revised.added,
                "most_s": quantile(&self.revised.by_s, 1.0),
                "most_k": quantile(&self.revised.by_k, 1.0),
            },
            "too_late": self.late,
            "differ": self.differ,
        })
    }
}

/// Turns this near to a pour that went wrong are listed with it, s.
const WEIGHED_NEAR_S: f64 = 120.0;

/// What went wrong in a session, a line each; for the seeds that may be tuned on.
pub fn misses(score: &Score) -> Vec<String> {
    let mut lines = Vec::new();
    for pour in &score.pours {
        let wrong = match &pour.found {
            None => "not found".to_owned(),
            Some(found) if !pour.in_time() || !pour.in_temperature() => format!(
                "{:+.2} s, {:+.2} K, confidence {:.2}",
                pour.late_s.unwrap_or(f64::NAN),
                pour.off_k.unwrap_or(f64::NAN),
                found.confidence
            ),
            Some(_) => continue,
        };
        let troubles: Vec<&str> = pour.truth.troubles.iter().map(|t| t.words()).collect();
        lines.push(format!(
            "{} flask {} at {} ({} Hz, moves {:.1} K): {wrong} [{}]",
            score.seed,
            pour.truth.flask + 1,
            pour.truth.at.rfc3339_ms(),
            pour.melt_hz,
            -pour.truth.chill_k,
            troubles.join("; "),
        ));
        let weighed = score.weighed.iter();
        for (w, _) in
            weighed.filter(|(w, _)| w.at.seconds_since(pour.truth.at).abs() < WEIGHED_NEAR_S)
        {
            let signs: Vec<String> = Weighed::SIGNS
                .iter()
                .zip(&w.signs)
                .filter(|(_, s)| s.abs() > 0.005)
                .map(|(name, s)| format!("{name} {s:.2}"))
                .collect();
            lines.push(format!(
                "    weighed at {:+.1} s: {:.2} [{}]",
                w.at.seconds_since(pour.truth.at),
                w.confidence,
                signs.join(", ")
            ));
        }
    }
    for told in &score.false_pours {
        let away = score
            .pours
            .iter()
            .map(|p| told.at.seconds_since(p.truth.at))
            .min_by(|a, b| a.abs().total_cmp(&b.abs()));
        lines.push(format!(
            "{} false pour at {} ({:+.0} s from the nearest), {:?}, confidence {:.2}, {:?}",
            score.seed,
            told.at.rfc3339_ms(),
            away.unwrap_or(f64::NAN),
            told.found_by,
            told.confidence,
            told.quality,
        ));
    }
    for told in &score.false_pulls {
        lines.push(format!(
            "{} false pull at {}, {:?} kPa",
            score.seed,
            told.opened_at.rfc3339_ms(),
            told.depth_kpa,
        ));
    }
    lines
}

fn line(f: &mut fmt::Formatter<'_>, name: &str, p: &Pours) -> fmt::Result {
    writeln!(
        f,
        "| {name} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        p.pours,
        percent(p.found, p.pours),
        percent(p.in_time, p.found),
        percent(p.ideal_in_time, p.pours),
        percent(p.in_temperature, p.found),
        percent(p.in_lag_free, p.found),
        number(middle(&p.late_s)),
        number(quantile(&p.late_s, 0.9)),
        number(quantile(&p.late_s, 0.99)),
        number(middle(&p.off_k)),
        number(quantile(&p.off_k, 0.99)),
    )
}

fn verdicts(counts: &[usize; 5], of: &Pulls) -> String {
    counts
        .map(|c| format!("{:.0}", 100.0 * share(c, of.judged)))
        .join(" / ")
}

fn percent(count: usize, of: usize) -> String {
    if of == 0 {
        "–".to_owned()
    } else {
        format!("{:.1} %", 100.0 * share(count, of))
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), |v| format!("{v:.2}"))
}

//! How wide a text will be, from a table of advance widths, so that charts can be laid out
//! with no font at hand.
//!
//! The table is that of DejaVu Sans, the widest face that a system font stack is likely to
//! meet; any other sets the same text narrower, so what fits here fits there.

/// Advance widths of U+0020 to U+007E in thousandths of the type size (DejaVu Sans 2.37,
/// table `hmtx`).
const ASCII: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636,
    636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632,
    575, 775, 752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685,
    611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579,
    278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];

/// Bold is wider: the mean over letters and digits of the bold face.
const BOLD: f64 = 1.12;

/// The width of one character in thousandths of the type size.
fn advance(c: char) -> u16 {
    match c {
        ' '..='~' => ASCII[c as usize - 0x20],
        '°' | '–' => 500,
        '−' | '←' | '→' => 838,
        '…' => 1000,
        '·' | '’' | '\u{a0}' => 318,
        '\u{2009}' | '\u{202f}' => 200,
        // Latin letters with marks are about as wide as without.
        '\u{c0}'..='\u{24f}' => 700,
        // Zero-width marks and joiners.
        '\u{300}'..='\u{36f}' | '\u{200b}'..='\u{200f}' | '\u{fe0f}' => 0,
        // Anything else (other scripts, pictures) is taken as a full square and a bit.
        _ => 1100,
    }
}

/// The width of `text` at `size`, in the unit of `size`.
///
/// ```
/// # use reports::chart::text_width::width;
/// assert!(width("968 °C", 12.0) < 48.0);
/// ```
pub fn width(text: &str, size: f64) -> f64 {
    text.chars().map(|c| f64::from(advance(c))).sum::<f64>() * size / 1000.0
}

/// The width of `text` in bold at `size`.
pub fn width_bold(text: &str, size: f64) -> f64 {
    width(text, size) * BOLD
}

/// `text` if it fits into `room`, else its beginning with an ellipsis; empty if not even one
/// letter fits.
pub fn fit(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.to_owned();
    }
    let room = room - width("…", size);
    let mut used = 0.0;
    let mut kept = String::new();
    for c in text.chars() {
        used += f64::from(advance(c)) * size / 1000.0;
        if used > room {
            break;
        }
        kept.push(c);
    }
    let kept = kept.trim_end();
    if kept.is_empty() {
        String::new()
    } else {
        format!("{kept}…")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_that_fits_is_left_alone_and_one_that_does_not_is_cut_to_fit() {
        assert_eq!(fit("gas-porosity", 12.0, 200.0), "gas-porosity");
        let cut = fit("gas-porosity", 12.0, 50.0);
        assert!(cut.ends_with('…') && width(&cut, 12.0) <= 50.0, "{cut}");
        assert_eq!(fit("gas-porosity", 12.0, 5.0), "");
        let long = "x".repeat(10_000);
        assert!(width(&fit(&long, 12.0, 100.0), 12.0) <= 100.0);
    }
}

//! The columns that a model sees: an intercept and named columns of numbers, one row a flask.
//! Everything in it is finite, so a fit never meets a missing value; leaving rows out, and
//! saying so, is the caller's part.

use super::error::StatsError;
use super::{Matrix, Vector};

/// A column counts as told by the earlier ones when what they leave of it is shorter than this
/// share of its length. Settings written to a tenth of a degree lie far above, copies of a
/// column in other units far below.
const ALIASED: f64 = 1e-10;

/// The name of the mean's column.
pub const INTERCEPT: &str = "intercept";

/// A model matrix: rows are flasks, the first column is 1 throughout.
#[derive(Clone, Debug, PartialEq)]
pub struct Design {
    names: Vec<String>,
    x: Matrix,
}

impl Design {
    /// The intercept alone, over so many rows.
    pub fn intercept(rows: usize) -> Design {
        Design {
            names: vec![INTERCEPT.to_owned()],
            x: Matrix::from_element(rows, 1, 1.0),
        }
    }

    /// Adds a column of numbers.
    ///
    /// # Errors
    /// [`StatsError::Rows`] when its length is another; [`StatsError::NotFinite`] with the row.
    pub fn column(mut self, name: impl Into<String>, values: &[f64]) -> Result<Design, StatsError> {
        let name = name.into();
        if values.len() != self.rows() {
            return Err(StatsError::Rows {
                what: name,
                given: values.len(),
                expected: self.rows(),
            });
        }
        if let Some(row) = values.iter().position(|v| !v.is_finite()) {
            return Err(StatsError::NotFinite {
                what: name,
                row: row + 1,
            });
        }
        let at = self.x.ncols();
        self.x = self.x.insert_column(at, 0.0);
        self.x.set_column(at, &Vector::from_column_slice(values));
        self.names.push(name);
        Ok(self)
    }

    /// Adds a factor: one column of 0 and 1 for each level but the commonest (the first in
    /// alphabetical order among equally common ones), named `factor: level`. A factor with one
    /// level adds nothing.
    ///
    /// # Errors
    /// [`StatsError::Rows`] when its length is another.
    pub fn factor(self, name: &str, levels: &[&str]) -> Result<Design, StatsError> {
        let mut counted: std::collections::BTreeMap<&str, usize> =
            std::collections::BTreeMap::new();
        for level in levels {
            *counted.entry(level).or_default() += 1;
        }
        let most = counted.values().max().copied().unwrap_or(0);
        let base = counted.iter().find(|(_, n)| **n == most).map(|(l, _)| *l);
        let mut design = self;
        if levels.len() != design.rows() {
            return Err(StatsError::Rows {
                what: name.to_owned(),
                given: levels.len(),
                expected: design.rows(),
            });
        }
        for level in counted.keys().filter(|l| Some(**l) != base) {
            let values: Vec<f64> = levels
                .iter()
                .map(|l| f64::from(u8::from(l == level)))
                .collect();
            design = design.column(format!("{name}: {level}"), &values)?;
        }
        Ok(design)
    }

    /// Rows.
    pub fn rows(&self) -> usize {
        self.x.nrows()
    }

    /// Columns, the intercept included.
    pub fn columns(&self) -> usize {
        self.x.ncols()
    }

    /// The columns' names in order.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The numbers, rows by columns.
    pub fn matrix(&self) -> &Matrix {
        &self.x
    }

    /// Where the column of this name is.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// Only these rows, in this order.
    pub fn only_rows(&self, rows: &[usize]) -> Design {
        Design {
            names: self.names.clone(),
            x: self.x.select_rows(rows),
        }
    }

    /// Columns that the columns before them already tell, in order: each column, brought to
    /// length 1, is compared with what Householder reflections of the earlier ones leave of it.
    pub fn aliased(&self) -> Vec<usize> {
        let mut scaled = self.x.clone();
        for mut column in scaled.column_iter_mut() {
            let length = column.norm();
            if length > 0.0 {
                column /= length;
            }
        }
        let (rows, columns) = scaled.shape();
        let mut aliased = Vec::new();
        let mut kept = 0;
        for j in 0..columns {
            let rest = if kept < rows {
                scaled.view((kept, j), (rows - kept, 1)).norm()
            } else {
                0.0
            };
            if rest < ALIASED {
                aliased.push(j);
                continue;
            }
            // The reflection that turns what is left of column j onto the next axis.
            let mut axis: Vector = scaled
                .view((kept, j), (rows - kept, 1))
                .column(0)
                .into_owned();
            axis[0] += if axis[0] < 0.0 { -rest } else { rest };
            let length = axis.norm();
            axis /= length;
            for k in j..columns {
                let mut below = scaled.view_mut((kept, k), (rows - kept, 1));
                let dot = axis.dot(&below.column(0));
                below.column_mut(0).axpy(-2.0 * dot, &axis, 1.0);
            }
            kept += 1;
        }
        aliased
    }

    /// The design without the columns that the earlier ones tell, and the names of those.
    pub fn without_aliased(self) -> (Design, Vec<String>) {
        let aliased = self.aliased();
        if aliased.is_empty() {
            return (self, Vec::new());
        }
        let kept: Vec<usize> = (0..self.columns())
            .filter(|j| !aliased.contains(j))
            .collect();
        let design = Design {
            names: kept.iter().map(|j| self.names[*j].clone()).collect(),
            x: self.x.select_columns(&kept),
        };
        (
            design,
            aliased.into_iter().map(|j| self.names[j].clone()).collect(),
        )
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_same_heat_in_two_units_is_named() {
        let celsius = [955.0, 960.0, 968.5, 975.0, 981.2];
        let fahrenheit = celsius.map(|c| c * 1.8 + 32.0);
        let design = Design::intercept(5)
            .column("pour [°C]", &celsius)
            .unwrap()
            .column("pour [°F]", &fahrenheit)
            .unwrap()
            .column("vacuum", &[85.0, 84.0, 85.0, 86.0, 85.5])
            .unwrap();
        let (design, aliased) = design.without_aliased();
        assert_eq!(aliased, ["pour [°F]"]);
        assert_eq!(design.names(), [INTERCEPT, "pour [°C]", "vacuum"]);
    }

    #[test]
    fn a_setting_that_never_moved_is_the_intercept_again() {
        let design = Design::intercept(3).column("soak", &[150.0; 3]).unwrap();
        assert_eq!(design.without_aliased().1, ["soak"]);
        let nothing = Design::intercept(3).column("seal age", &[0.0; 3]).unwrap();
        assert_eq!(nothing.without_aliased().1, ["seal age"]);
    }

    #[test]
    fn more_columns_than_rows_leaves_the_first_ones() {
        let design = Design::intercept(2)
            .column("a", &[1.0, 2.0])
            .unwrap()
            .column("b", &[3.0, 1.0])
            .unwrap();
        assert_eq!(design.without_aliased().1, ["b"]);
    }

    #[test]
    fn factors_leave_the_commonest_level_out() {
        let design = Design::intercept(4)
            .factor("alloy", &["sterling", "bronze", "sterling", "argentium"])
            .unwrap();
        assert_eq!(
            design.names(),
            [INTERCEPT, "alloy: argentium", "alloy: bronze"]
        );
        let one = Design::intercept(2).factor("alloy", &["x", "x"]).unwrap();
        assert_eq!(one.columns(), 1);
    }

    #[test]
    fn a_missing_value_is_named_by_its_row() {
        let error = Design::intercept(2)
            .column("pour", &[1.0, f64::NAN])
            .unwrap_err();
        assert_eq!(
            error.to_string(),
            "pour, row 2, is not a number; leave that flask out or fill the value in"
        );
        assert!(Design::intercept(2).column("pour", &[1.0]).is_err());
        assert!(Design::intercept(2).factor("alloy", &["x"]).is_err());
    }
}

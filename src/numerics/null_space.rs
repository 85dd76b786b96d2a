//! Which columns of a design can't be told apart. Parts that were only ever run together give columns with an exact
//! linear relation: only their sum is known, so they are found here and named together.

use nalgebra::{DMatrix, DVector, SVD};

use super::scaling::{safe_norm, scale_columns};

/// How the null space is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NullSpaceParams {
    /// A singular value below this fraction of the largest counts as zero. The columns are scaled to like size first.
    /// The default of 1e-10 leaves six digits to coefficients that are only just told apart.
    pub tolerance: f64,
}

impl Default for NullSpaceParams {
    fn default() -> Self {
        Self { tolerance: 1e-10 }
    }
}

/// Entries of the projector onto the null space below this are rounding.
const LINK: f64 = 1e-7;

/// Iterations of the singular value decomposition per column before it is given up; a few per column are usual.
const SVD_ITERATIONS_PER_COLUMN: usize = 200;

/// Columns tied by one or more exact linear relations. A single column is one without any effect (all zero).
#[derive(Clone, Debug, PartialEq)]
pub struct AliasGroup {
    /// Column indices, rising.
    pub columns: Vec<usize>,
    /// Number of independent relations among them: of `columns.len()` coefficients only
    /// `columns.len() - relations` combinations are known.
    pub relations: usize,
}

/// The null space of a design.
#[derive(Clone, Debug)]
pub struct NullSpace {
    /// Number of coefficients, or combinations of them, that the rows determine.
    pub rank: usize,
    /// Number of columns.
    pub columns: usize,
    /// Largest over smallest singular value counted as not zero, of the scaled design; infinite at rank zero.
    pub condition: f64,
    /// The tied columns, in the order of their first column.
    pub groups: Vec<AliasGroup>,
    /// Projector onto the null space, in scaled coordinates.
    projector: DMatrix<f64>,
    /// Power-of-two factors of the columns.
    factors: Vec<f64>,
}

/// Why the null space can't be found.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NullSpaceError {
    /// A design without columns.
    #[error("the design has no columns")]
    NoColumns,
    /// A value that is NaN or infinite.
    #[error("row {row}, column {column} of the design is not a finite number")]
    NotFinite { row: usize, column: usize },
    /// The decomposition did not settle.
    #[error("the singular values of a design of {columns} columns did not converge")]
    NoConvergence { columns: usize },
}

/// Finds the null space of `x` (rows are observations). A design with fewer rows than columns, or with none, is fine:
/// what it can't determine is in the null space.
///
/// # Errors
/// No columns, values that are not finite, a decomposition that does not converge.
pub fn null_space(x: &DMatrix<f64>, params: NullSpaceParams) -> Result<NullSpace, NullSpaceError> {
    if x.ncols() == 0 {
        return Err(NullSpaceError::NoColumns);
    }
    if let Some((row, column)) = first_not_finite(x) {
        return Err(NullSpaceError::NotFinite { row, column });
    }
    let mut scaled = x.clone();
    let factors = scale_columns(&mut scaled);
    let columns = x.ncols();
    let triangle =
        if scaled.nrows() >= columns { scaled.qr().unpack_r() } else { scaled.resize(columns, columns, 0.0) };
    of_triangle(triangle, factors, params)
}

/// The null space of a design of which the square factor `R` of `Q·R` is at hand, columns scaled by `factors`.
pub(super) fn of_triangle(
    triangle: DMatrix<f64>,
    factors: Vec<f64>,
    params: NullSpaceParams,
) -> Result<NullSpace, NullSpaceError> {
    let columns = triangle.ncols();
    let no_convergence = NullSpaceError::NoConvergence { columns };
    // The sorted variant panics when the decomposition yields NaN, which it can for finite input.
    let svd = SVD::try_new_unordered(triangle, false, true, f64::EPSILON, SVD_ITERATIONS_PER_COLUMN * columns)
        .ok_or(no_convergence)?;
    let v_t = svd.v_t.ok_or(no_convergence)?;
    let values = svd.singular_values;
    if values.iter().chain(v_t.iter()).any(|s| !s.is_finite()) {
        return Err(no_convergence);
    }
    let largest = values.max();
    let counts = |s: f64| s > params.tolerance * largest;
    let rank = values.iter().filter(|s| counts(**s)).count();
    let smallest = values.iter().copied().filter(|s| counts(*s)).fold(f64::INFINITY, f64::min);
    let mut projector = DMatrix::zeros(columns, columns);
    for (value, direction) in values.iter().zip(v_t.row_iter()) {
        if !counts(*value) {
            projector += direction.transpose() * direction;
        }
    }
    let condition = if rank == 0 { f64::INFINITY } else { largest / smallest };
    let groups = groups(&projector);
    Ok(NullSpace { rank, columns, condition, groups, projector, factors })
}

pub(super) fn first_not_finite(x: &DMatrix<f64>) -> Option<(usize, usize)> {
    (0..x.nrows()).find_map(|i| (0..x.ncols()).find(|&j| !x[(i, j)].is_finite()).map(|j| (i, j)))
}

/// Connected components of the columns under the projector. The null space is a direct sum over groups of columns
/// exactly when its projector is block diagonal over them, whatever basis was found.
fn groups(projector: &DMatrix<f64>) -> Vec<AliasGroup> {
    let columns = projector.ncols();
    let mut seen = vec![false; columns];
    let mut out = Vec::new();
    for first in 0..columns {
        if seen[first] || projector[(first, first)] <= LINK * LINK {
            continue;
        }
        let mut members = vec![first];
        seen[first] = true;
        let mut next = 0;
        while let Some(&at) = members.get(next) {
            for other in 0..columns {
                if !seen[other] && projector[(at, other)].abs() > LINK {
                    seen[other] = true;
                    members.push(other);
                }
            }
            next += 1;
        }
        let trace: f64 = members.iter().map(|&j| projector[(j, j)]).sum();
        if trace.round() < 1.0 {
            continue;
        }
        members.sort_unstable();
        out.push(AliasGroup { columns: members, relations: trace.round() as usize });
    }
    out
}

impl NullSpace {
    /// Whether the rows determine Σ contrast·coefficient. True for the sum of two coefficients that are aliased to
    /// each other, false for either of them. False for a contrast of the wrong length or with a NaN.
    pub fn is_estimable(&self, contrast: &DVector<f64>) -> bool {
        if contrast.len() != self.columns || contrast.iter().any(|c| !c.is_finite()) {
            return false;
        }
        let scaled = DVector::from_iterator(self.columns, contrast.iter().zip(&self.factors).map(|(c, f)| c * f));
        let lost = &self.projector * &scaled;
        safe_norm(lost.iter()) <= LINK * safe_norm(scaled.iter())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(list: &[&[f64]]) -> DMatrix<f64> {
        DMatrix::from_fn(list[0].len(), list.len(), |i, j| list[j][i])
    }

    fn found(x: &DMatrix<f64>) -> Vec<(Vec<usize>, usize)> {
        let space = null_space(x, NullSpaceParams::default()).unwrap();
        assert_eq!(space.rank + space.groups.iter().map(|g| g.relations).sum::<usize>(), space.columns);
        space.groups.into_iter().map(|g| (g.columns, g.relations)).collect()
    }

    const A: &[f64] = &[1.0, 0.0, 1.0, 0.0, 1.0, 0.0];
    const B: &[f64] = &[1.0, 1.0, 0.0, 0.0, 0.0, 1.0];
    const C: &[f64] = &[0.0, 1.0, 1.0, 0.0, 0.0, 0.0];
    const SPEED: &[f64] = &[900.0, 1600.0, 2500.0, 3600.0, 4900.0, 6400.0];
    const ONE: &[f64] = &[1.0; 6];

    #[test]
    fn identical_columns_are_named_together() {
        assert_eq!(found(&columns(&[A, SPEED, A, B])), [(vec![0, 2], 1)]);
        // Whatever the unit of one of them.
        let small: Vec<f64> = A.iter().map(|v| v * 1e-9).collect();
        assert_eq!(found(&columns(&[A, SPEED, &small, B])), [(vec![0, 2], 1)]);
    }

    #[test]
    fn a_column_that_is_the_sum_of_two_others() {
        let sum: Vec<f64> = A.iter().zip(B).map(|(a, b)| a + b).collect();
        assert_eq!(found(&columns(&[A, C, B, &sum, SPEED])), [(vec![0, 2, 3], 1)]);
    }

    #[test]
    fn constant_and_empty_columns() {
        let five = [5.0; 6];
        let none = [0.0; 6];
        assert_eq!(found(&columns(&[ONE, SPEED, &five, &none])), [(vec![0, 2], 1), (vec![3], 1)]);
        assert_eq!(found(&columns(&[ONE, SPEED, A])), []);
    }

    #[test]
    fn fewer_rows_than_columns() {
        let x = DMatrix::from_row_slice(1, 3, &[1.0, 2.0, 0.0]);
        assert_eq!(found(&x), [(vec![0, 1], 1), (vec![2], 1)]);
        let space = null_space(&DMatrix::zeros(0, 2), NullSpaceParams::default()).unwrap();
        assert_eq!((space.rank, space.condition), (0, f64::INFINITY));
        assert_eq!(space.groups.len(), 2);
    }

    #[test]
    fn sums_of_aliased_columns_stay_estimable() {
        let space = null_space(&columns(&[A, SPEED, A]), NullSpaceParams::default()).unwrap();
        let known = |c: &[f64]| space.is_estimable(&DVector::from_row_slice(c));
        assert!(known(&[1.0, 0.0, 1.0]));
        assert!(known(&[0.0, 1.0, 0.0]));
        assert!(known(&[0.5, 7.0, 0.5]));
        assert!(!known(&[1.0, 0.0, 0.0]));
        assert!(!known(&[1.0, 0.0, -1.0]));
        assert!(!known(&[f64::NAN, 0.0, 0.0]));
        assert!(!known(&[1.0]));
    }

    #[test]
    fn wrong_designs_are_errors() {
        let p = NullSpaceParams::default();
        assert_eq!(null_space(&DMatrix::zeros(3, 0), p).unwrap_err(), NullSpaceError::NoColumns);
        let x = DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 3.0, f64::INFINITY]);
        assert_eq!(null_space(&x, p).unwrap_err(), NullSpaceError::NotFinite { row: 1, column: 1 });
    }
}

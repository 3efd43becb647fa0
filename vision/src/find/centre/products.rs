//! Inner products of a design's columns: plain loops in lanes that the compiler vectorises, for the widest registers that the machine has.

use super::design::{COLUMNS, LEVEL};
use nalgebra::DMatrix;

/// The inner products of all columns with a patch; gives the patch's sum and sum of squares.
pub(super) struct Products<'a> {
    pub columns: &'a [Vec<f32>],
    pub patch: &'a [f32],
    pub products: &'a mut [f64; COLUMNS],
}

impl pulp::NullaryFnOnce for Products<'_> {
    type Output = [f64; 2];

    #[inline(always)]
    fn call(self) -> [f64; 2] {
        for (product, column) in self.products.iter_mut().zip(self.columns) {
            *product = f64::from(dot(column, self.patch));
        }
        [precise_dot(self.patch, &self.columns[LEVEL]), precise_dot(self.patch, self.patch)]
    }
}

/// The inner products of all columns with each other.
struct Normal<'a> {
    columns: &'a [&'a [f32]],
    normal: &'a mut DMatrix<f64>,
}

impl pulp::NullaryFnOnce for Normal<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for i in 0..self.columns.len() {
            for j in i..self.columns.len() {
                let s = precise_dot(self.columns[i], self.columns[j]);
                self.normal[(i, j)] = s;
                self.normal[(j, i)] = s;
            }
        }
    }
}

/// The inverse of the columns' normal matrix.
pub(super) fn inverse_of_normal(columns: &[Vec<f32>]) -> DMatrix<f64> {
    inverse(normal(&columns.iter().map(Vec::as_slice).collect::<Vec<_>>()))
}

/// The columns' normal matrix.
pub(super) fn normal(columns: &[&[f32]]) -> DMatrix<f64> {
    let p = columns.len();
    let mut normal = DMatrix::<f64>::zeros(p, p);
    pulp::Arch::new().dispatch(Normal { columns, normal: &mut normal });
    normal
}

/// The inverse of a normal matrix.
pub(super) fn inverse(mut normal: DMatrix<f64>) -> DMatrix<f64> {
    let p = normal.nrows();
    // A column without light (a look with one flat side) must not make the rest unsolvable.
    let trace = normal.trace().max(1e-12);
    for i in 0..p {
        normal[(i, i)] += 1e-12 * trace;
    }
    normal.cholesky().map_or_else(|| DMatrix::zeros(p, p), |c| c.inverse())
}

/// Lanes of a sum: two of the widest vectors, so that one addition need not wait for the one before.
const LANES: usize = 16;

/// Inner product in lanes, so that the compiler uses vector registers; the order of summation is fixed.
#[inline(always)]
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0_f32; LANES];
    let (a_chunks, b_chunks) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let mut rest = 0.0;
    for (x, y) in a_chunks.remainder().iter().zip(b_chunks.remainder()) {
        rest += x * y;
    }
    for (x, y) in a_chunks.zip(b_chunks) {
        for i in 0..LANES {
            lanes[i] += x[i] * y[i];
        }
    }
    let mut width = LANES / 2;
    while width > 0 {
        for i in 0..width {
            lanes[i] += lanes[i + width];
        }
        width /= 2;
    }
    lanes[0] + rest
}

/// As [`dot`], summed in double precision from stretches, each as exact as the columns themselves: the normal matrix is
/// inverted.
#[inline(always)]
fn precise_dot(a: &[f32], b: &[f32]) -> f64 {
    // Loops, not iterators' closures: those would be compiled for the narrowest vectors.
    let n = a.len().min(b.len());
    let (mut sum, mut start) = (0.0, 0);
    while start < n {
        let end = (start + STRETCH).min(n);
        sum += f64::from(dot(&a[start..end], &b[start..end]));
        start = end;
    }
    sum
}

/// A lane sums no more than eight products before it goes on in double precision.
const STRETCH: usize = 8 * LANES;

//! Polynomials with real coefficients, ascending powers.

use nalgebra::DMatrix;
use num_complex::Complex64;

/// A polynomial `c[0] + c[1] x + ..`.
#[derive(Clone, Debug, PartialEq)]
pub struct Polynomial {
    coefficients: Vec<f64>,
}

impl Polynomial {
    /// From coefficients, constant first; zeros of the highest powers are dropped.
    pub fn new(mut coefficients: Vec<f64>) -> Self {
        while coefficients.len() > 1 && coefficients.last() == Some(&0.0) {
            coefficients.pop();
        }
        Self { coefficients }
    }

    /// Coefficients, constant first.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Highest power.
    pub fn degree(&self) -> usize {
        self.coefficients.len() - 1
    }

    /// Value at `x`, by Horner's rule.
    pub fn eval(&self, x: Complex64) -> Complex64 {
        self.coefficients.iter().rev().fold(Complex64::new(0.0, 0.0), |sum, c| sum * x + c)
    }

    /// Product.
    #[must_use]
    pub fn times(&self, other: &Self) -> Self {
        let mut product = vec![0.0; self.coefficients.len() + other.coefficients.len() - 1];
        for (i, a) in self.coefficients.iter().enumerate() {
            for (j, b) in other.coefficients.iter().enumerate() {
                product[i + j] += a * b;
            }
        }
        Self::new(product)
    }

    /// All roots, as eigenvalues of the companion matrix, each polished by Newton's rule.
    ///
    /// The variable is scaled first so that leading and constant coefficient weigh alike.
    pub fn roots(&self) -> Vec<Complex64> {
        let zeros = self.coefficients.iter().take_while(|c| **c == 0.0).count();
        let reduced = &self.coefficients[zeros.min(self.degree())..];
        let degree = reduced.len() - 1;
        let mut roots = vec![Complex64::new(0.0, 0.0); zeros.min(self.degree())];
        if degree == 0 {
            return roots;
        }
        let leading = reduced[degree];
        let scale = (reduced[0] / leading).abs().powf(1.0 / degree as f64);
        let scaled: Vec<f64> =
            (0..=degree).map(|k| reduced[k] / leading * scale.powi(k as i32 - degree as i32)).collect();
        let mut companion = DMatrix::<f64>::zeros(degree, degree);
        for row in 1..degree {
            companion[(row, row - 1)] = 1.0;
        }
        for row in 0..degree {
            companion[(row, degree - 1)] = -scaled[row];
        }
        let polynomial = Self { coefficients: scaled };
        roots.extend(companion.complex_eigenvalues().iter().map(|root| polynomial.polish(*root) * scale));
        roots
    }

    fn polish(&self, mut root: Complex64) -> Complex64 {
        for _ in 0..4 {
            let (mut value, mut slope) = (Complex64::new(0.0, 0.0), Complex64::new(0.0, 0.0));
            for c in self.coefficients.iter().rev() {
                slope = slope * root + value;
                value = value * root + c;
            }
            let step = value / slope;
            // At a multiple root the slope vanishes and the step means nothing.
            if !step.is_finite() || step.norm() > 1e-3 * root.norm() || step.norm() == 0.0 {
                break;
            }
            root -= step;
        }
        root
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_of_a_product_are_found() {
        let known = [-1.0, -30.0, -1e4, -2.5e5];
        let product =
            known.iter().fold(Polynomial::new(vec![1.0]), |p, r| p.times(&Polynomial::new(vec![-r, 1.0])));
        let mut found: Vec<f64> = product.roots().iter().map(|r| r.re).collect();
        found.sort_by(|a, b| b.total_cmp(a));
        for (a, b) in known.iter().zip(found) {
            assert!((a - b).abs() <= 1e-12 * a.abs(), "{a} {b}");
        }
    }

    #[test]
    fn complex_and_zero_roots() {
        let roots = Polynomial::new(vec![0.0, 5.0, 2.0, 1.0]).roots();
        assert_eq!(roots[0], Complex64::new(0.0, 0.0));
        assert!(roots[1..].iter().all(|r| (r.re + 1.0).abs() < 1e-13 && (r.im.abs() - 2.0).abs() < 1e-13));
        assert!(Polynomial::new(vec![3.0]).roots().is_empty());
    }

    #[test]
    fn value_at_a_point() {
        let p = Polynomial::new(vec![1.0, 2.0, 3.0, 0.0]);
        assert_eq!((p.degree(), p.eval(Complex64::new(2.0, 0.0)).re), (2, 17.0));
    }
}

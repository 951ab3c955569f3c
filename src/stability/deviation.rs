//! The five deviations, as sums over phase. NIST SP 1065 (2008), section 5.2; the symbols are its own: x phase, m the
//! averaging factor, τ = m·τ0, N the number of phase values.

use super::series::PhaseSeries;

/// A deviation and how many terms it is the mean of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The deviation.
    pub value: f64,
    /// Terms in the sum.
    pub terms: usize,
}

/// The root of a mean square over `scale`; `None` without a term.
fn root(sum: f64, terms: usize, scale: f64) -> Option<Estimate> {
    (terms > 0).then(|| Estimate { value: (sum / (scale * terms as f64)).sqrt(), terms })
}

/// Sum of squares of a difference over all places where it can be taken, and their number.
fn squares(pieces: impl Iterator<Item = f64>) -> (f64, usize) {
    pieces.filter(|d| d.is_finite()).fold((0.0, 0), |(sum, n), d| (sum + d * d, n + 1))
}

/// Overlapping Allan deviation: σ²(τ) = Σ (x(i+2m) − 2x(i+m) + x(i))² / (2τ²(N − 2m)).
pub fn overlapping_allan(series: &PhaseSeries, m: usize) -> Option<Estimate> {
    let differences = series.pieces().flat_map(|x| {
        let count = x.len().saturating_sub(2 * m);
        (0..count).map(move |i| x[i + 2 * m] - 2.0 * x[i + m] + x[i])
    });
    let (sum, terms) = squares(differences);
    root(sum, terms, 2.0 * (m as f64 * series.tau0_s()).powi(2))
}

/// Modified Allan deviation: the second difference of phase averaged over m neighbours,
/// `σ²(τ) = Σ_j (Σ_{i=j}^{j+m−1} (x(i+2m) − 2x(i+m) + x(i)))² / (2m²τ²(N − 3m + 1))`.
pub fn modified_allan(series: &PhaseSeries, m: usize) -> Option<Estimate> {
    let (mut sum, mut terms) = (0.0, 0);
    for x in series.pieces() {
        // The sum over a window slides: one second difference comes in, one goes out. What is missing is counted
        // apart, so that a gap does not spoil what comes after it.
        let difference = |i: usize| x[i + 2 * m] - 2.0 * x[i + m] + x[i];
        let (mut window, mut missing) = (0.0, 0usize);
        for i in 0..x.len().saturating_sub(2 * m) {
            let comes = difference(i);
            if comes.is_finite() {
                window += comes;
            } else {
                missing += 1;
            }
            if i >= m {
                let goes = difference(i - m);
                if goes.is_finite() { window -= goes } else { missing -= 1 }
            }
            if i + 1 >= m && missing == 0 {
                sum += window * window;
                terms += 1;
            }
        }
    }
    let m = m as f64;
    root(sum, terms, 2.0 * (m * m * series.tau0_s()).powi(2))
}

/// Time deviation: τ/√3 times the modified Allan deviation.
pub fn time(series: &PhaseSeries, m: usize) -> Option<Estimate> {
    let modified = modified_allan(series, m)?;
    Some(Estimate { value: modified.value * m as f64 * series.tau0_s() / 3f64.sqrt(), ..modified })
}

/// Overlapping Hadamard deviation: σ²(τ) = Σ (x(i+3m) − 3x(i+2m) + 3x(i+m) − x(i))² / (6τ²(N − 3m)); a steady drift of
/// the frequency does not enter it.
pub fn hadamard(series: &PhaseSeries, m: usize) -> Option<Estimate> {
    let differences = series.pieces().flat_map(|x| {
        let count = x.len().saturating_sub(3 * m);
        (0..count).map(move |i| x[i + 3 * m] - x[i] - 3.0 * (x[i + 2 * m] - x[i + m]))
    });
    let (sum, terms) = squares(differences);
    root(sum, terms, 6.0 * (m as f64 * series.tau0_s()).powi(2))
}

/// Total deviation: the Allan deviation of the longest stretch without a gap, carried on at both ends by its own
/// reflection (x(1−j) = 2x(1) − x(1+j), x(N+j) = 2x(N) − x(N−j)), not corrected for its bias.
/// σ²(τ) = Σ_{i=2}^{N−1} (x(i−m) − 2x(i) + x(i+m))² / (2τ²(N − 2)).
pub fn total(series: &PhaseSeries, m: usize) -> Option<Estimate> {
    let x = series.longest();
    let n = x.len();
    if n < 3 || 2 * m > n - 1 {
        return None;
    }
    let before = |i: usize| if i >= m { x[i - m] } else { 2.0 * x[0] - x[m - i] };
    let after = |i: usize| if i + m < n { x[i + m] } else { 2.0 * x[n - 1] - x[2 * (n - 1) - i - m] };
    let (sum, terms) = squares((1..n - 1).map(|i| before(i) - 2.0 * x[i] + after(i)));
    root(sum, terms, 2.0 * (m as f64 * series.tau0_s()).powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    type Deviation = fn(&PhaseSeries, usize) -> Option<Estimate>;

    /// NBS Monograph 140, Annex 8.E: nine frequencies, `τ0` = 1.
    const NINE: [f64; 9] = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];

    /// NIST SP 1065 (2008), Tables 29 and 30, as quoted by the validation files of several public repositories. The
    /// Hadamard figure is printed 70.80608 in an older table. Tolerance: half a unit of the last digit printed.
    #[test]
    fn sp1065_nine_points() {
        let series = PhaseSeries::from_frequency(&NINE.map(Some), 1.0);
        let table: [(Deviation, [f64; 2], [usize; 2]); 5] = [
            (overlapping_allan, [91.22945, 85.95287], [8, 6]),
            (modified_allan, [91.22945, 74.78849], [8, 5]),
            (time, [52.67135, 86.35831], [8, 5]),
            (hadamard, [70.80607, 85.61487], [7, 4]),
            (total, [91.22945, 93.90379], [8, 8]),
        ];
        for (deviation, printed, terms) in table {
            for ((m, printed), terms) in [1, 2].into_iter().zip(printed).zip(terms) {
                let got = deviation(&series, m).unwrap();
                assert!((got.value - printed).abs() < 0.6e-5, "m {m}: {} for {printed}", got.value);
                assert_eq!(got.terms, terms);
            }
        }
    }

    /// The same from the phases of Table 29, whose mean frequency is taken out and which are rounded to five decimals.
    #[test]
    fn phases_give_what_frequencies_give() {
        let x = [
            0.0, 103.111_11, 123.222_22, 157.333_33, 166.444_44, 48.555_55, -96.333_33, -2.222_22,
            111.888_89, 0.0,
        ];
        let series = PhaseSeries::from_phase(&x.map(Some), 1.0);
        assert!((overlapping_allan(&series, 2).unwrap().value - 85.95287).abs() < 2e-5);
        assert!((total(&series, 2).unwrap().value - 93.90379).abs() < 2e-5);
    }

    /// NIST SP 1065 (2008), Equation 73 and Tables 31 and 32, as quoted by the validation files of several public
    /// repositories: n(0) = 1234567890, n(i+1) = 16807·n(i) mod (2³¹ − 1), y = n/(2³¹ − 1), a thousand of them.
    #[test]
    fn sp1065_thousand_points() {
        let mut n = 1_234_567_890_u64;
        let y: Vec<Option<f64>> = (0..1000)
            .map(|_| {
                let y = n as f64 / 2_147_483_647.0;
                n = 16_807 * n % 2_147_483_647;
                Some(y)
            })
            .collect();
        assert!((y[0].unwrap() - 0.574_890_473_2).abs() < 1e-10);
        let series = PhaseSeries::from_frequency(&y, 1.0);
        let table: [(Deviation, [f64; 3]); 5] = [
            (overlapping_allan, [2.922_319e-1, 9.159_953e-2, 3.241_343e-2]),
            (modified_allan, [2.922_319e-1, 6.172_376e-2, 2.170_921e-2]),
            (time, [1.687_202e-1, 3.563_623e-1, 1.253_382]),
            (hadamard, [2.943_883e-1, 9.581_083e-2, 3.237_638e-2]),
            (total, [2.922_319e-1, 9.134_743e-2, 3.406_530e-2]),
        ];
        for (deviation, printed) in table {
            for (m, printed) in [1, 10, 100].into_iter().zip(printed) {
                let got = deviation(&series, m).unwrap().value;
                let last_digit = 10f64.powi(f64::log10(printed).floor() as i32 - 6);
                assert!((got - printed).abs() < 0.6 * last_digit, "m {m}: {got} for {printed}");
            }
        }
        let terms = |deviation: Deviation| [1, 10, 100].map(|m| deviation(&series, m).unwrap().terms);
        assert_eq!(terms(overlapping_allan), [999, 981, 801]);
        assert_eq!(terms(modified_allan), [999, 972, 702]);
    }

    /// By their definitions: a gap takes out the terms that reach over it and no others, and frequencies lose the
    /// terms that phases keep.
    #[test]
    fn gaps_take_out_the_terms_that_need_them() {
        let mut y: Vec<Option<f64>> = NINE.map(Some).to_vec();
        y[4] = None;
        let series = PhaseSeries::from_frequency(&y, 1.0);
        let left: f64 = [892.0 - 809.0, 809.0 - 823.0, 823.0 - 798.0_f64].iter().map(|d| d * d).sum();
        let right: f64 = [644.0 - 883.0, 883.0 - 903.0, 903.0 - 677.0_f64].iter().map(|d| d * d).sum();
        let got = overlapping_allan(&series, 1).unwrap();
        assert_eq!(got.terms, 6);
        assert!((got.value - ((left + right) / 12.0).sqrt()).abs() < 1e-9);
        assert_eq!(modified_allan(&series, 2).map(|e| e.terms), None);
        let x = [Some(0.0), Some(1.0), None, Some(2.5), Some(5.0), Some(4.5), Some(7.0)];
        let series = PhaseSeries::from_phase(&x, 1.0);
        assert_eq!(overlapping_allan(&series, 1).unwrap().terms, 2);
        // Over the gap only (1, 2.5, 4.5) has all three.
        let got = overlapping_allan(&series, 2).unwrap();
        assert_eq!(got.terms, 1);
        assert!((got.value - (4.5 - 2.0 * 2.5 + 1.0_f64).abs() / 8f64.sqrt()).abs() < 1e-9);
    }
}

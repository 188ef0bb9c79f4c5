//! Least squares against the certified fits of NIST's Statistical Reference Datasets (tests/strd/, public domain).

use signproof::meter::least_squares::{Fit, least_squares, line};

/// Columns of a file, the dependent variable first.
fn columns(text: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> =
        text.lines().skip(1).filter(|l| !l.trim().is_empty()).map(|l| l.split(',').map(|x| x.trim().parse().unwrap()).collect()).collect();
    (0..rows[0].len()).map(|j| rows.iter().map(|r| r[j]).collect()).collect()
}

/// Digits that agree.
fn digits(got: f64, certified: f64) -> f64 {
    if got == certified { 16.0 } else { -((got - certified) / certified).abs().log10() }
}

fn agrees(fit: &Fit, certified: &[[f64; 2]], residual: f64, least: f64) {
    assert_eq!(fit.coefficients.len(), certified.len());
    for (c, [value, standard]) in fit.coefficients.iter().zip(certified) {
        assert!(digits(c.value, *value) >= least, "{} against {value}", c.value);
        assert!(digits(c.standard, *standard) >= least, "{} against {standard}", c.standard);
    }
    assert!(digits(fit.residual, residual) >= least, "{}", fit.residual);
}

#[test]
fn norris_is_a_line() {
    let [y, x] = &columns(include_str!("strd/norris.csv"))[..] else { panic!() };
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    let l = line(&points).unwrap();
    let fit = Fit { coefficients: vec![l.intercept, l.slope], residual: l.residual };
    agrees(&fit, &[[-0.262323073774029, 0.232818234301152], [1.00211681802045, 0.429796848199937E-03]], 0.884796396144373, 12.0);
    assert_eq!(l.slope.dof, 34.0);
}

#[test]
fn pontius_is_a_parabola() {
    let [y, x] = &columns(include_str!("strd/pontius.csv"))[..] else { panic!() };
    let fit = least_squares(&[vec![1.0; x.len()], x.clone(), x.iter().map(|x| x * x).collect()], y).unwrap();
    let certified = [
        [0.673565789473684E-03, 0.107938612033077E-03],
        [0.732059160401003E-06, 0.157817399981659E-09],
        [-0.316081871345029E-14, 0.486652849992036E-16],
    ];
    agrees(&fit, &certified, 0.205177424076185E-03, 11.0);
}

#[test]
fn longley_has_six_columns_that_nearly_depend() {
    let all = columns(include_str!("strd/longley.csv"));
    let mut design = vec![vec![1.0; all[0].len()]];
    design.extend_from_slice(&all[1..]);
    let fit = least_squares(&design, &all[0]).unwrap();
    let certified = [
        [-3482258.63459582, 890420.383607373],
        [15.0618722713733, 84.9149257747669],
        [-0.0358191792925910, 0.0334910077722432],
        [-2.02022980381683, 0.488399681651699],
        [-1.03322686717359, 0.214274163161675],
        [-0.0511041056535807, 0.226073200069370],
        [1829.15146461355, 455.478499142212],
    ];
    agrees(&fit, &certified, 304.854073561965, 10.0);
}

#[test]
fn what_can_not_be_fitted_is_none() {
    assert!(line(&[(0.0, 1.0), (1.0, 2.0)]).is_none());
    assert!(line(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]).is_none());
    assert!(least_squares(&[vec![1.0, 2.0, 3.0], vec![2.0, 4.0, 6.0]], &[1.0, 2.0, 4.0]).is_none());
}

//! Statistics against published reference values.

use signproof::check::{CheckResult, Limit};
use signproof::meter::decide::decide;
use signproof::meter::robust::trimmed;
use signproof::meter::stats::{bracket, combine, mean, robust_mean, sd, standard_error};

/// Log relative error: correct digits.
fn lre(got: f64, certified: f64) -> f64 {
    if got == certified { 16.0 } else { -((got - certified) / certified).abs().log10() }
}

#[test]
fn michelso() {
    // NIST StRD, univariate summary statistics, Michelso: mean 299.8524, sd 0.0790105478190518.
    assert_eq!(MICHELSO.len(), 100);
    assert!(lre(mean(&MICHELSO).unwrap(), 299.8524) > 14.0);
    assert!(lre(sd(&MICHELSO).unwrap(), 0.079_010_547_819_051_8) > 12.0);
}

#[test]
fn lottery() {
    // NIST StRD, Lottery: mean 518.958715596330, sd 291.699727470969.
    assert_eq!(LOTTERY.len(), 218);
    assert!(lre(mean(&LOTTERY).unwrap(), 518.958_715_596_330) > 14.0);
    assert!(lre(sd(&LOTTERY).unwrap(), 291.699_727_470_969) > 14.0);
}

#[test]
fn numerical_accuracy_sets() {
    // NIST StRD NumAcc2 to 4: b + 0.2, then 500 times b + 0.1, b + 0.3; mean b + 0.2, sd 0.1. The best
    // attainable digits of sd in f64 are 9.46 (NumAcc3) and 8.25 (NumAcc4).
    for (tenths, mean_digits, sd_digits) in [(10_u32, 14.0, 14.0), (10_000_000, 14.0, 9.4), (100_000_000, 14.0, 8.2)] {
        let at = |t: u32| f64::from(tenths + t) / 10.0;
        let mut xs = vec![at(2)];
        for _ in 0..500 {
            xs.extend([at(1), at(3)]);
        }
        assert!(lre(mean(&xs).unwrap(), at(2)) >= mean_digits, "{tenths}");
        assert!(lre(sd(&xs).unwrap(), 0.1) >= sd_digits, "{tenths}: {}", lre(sd(&xs).unwrap(), 0.1));
    }
}

#[test]
fn twenty_temperatures() {
    // JCGM 100:2008, 4.4.3 table 1: mean 100.145 °C, s 1.489 °C, s of the mean 0.333 °C, ν 19.
    let t = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57,
        101.84, 102.36, 102.72,
    ];
    assert!((mean(&t).unwrap() - 100.145).abs() < 5e-4);
    assert!((sd(&t).unwrap() - 1.489).abs() < 5e-4);
    assert!((sd(&t).unwrap() / 20f64.sqrt() - 0.333).abs() < 5e-4);
    // The table is sorted: as a time series its neighbours agree far too well, and the error grows.
    let blocked = standard_error(&t).unwrap();
    assert!(blocked.standard > 0.6 && blocked.dof < 19.0, "{blocked:?}");
}

#[test]
fn effective_degrees_of_freedom() {
    // JCGM 100 G.4.1: 1.03 %; prints 19.0 from the rounded value, 18.9987 unrounded.
    let (u, nu) = combine(&[(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]);
    assert!((u - 1.029_466).abs() < 1e-6 && (nu - 18.9987).abs() < 1e-3, "{u} {nu}");
    // JCGM 100 H.1: prints 32 nm and 16.7; from its contributions, which are printed rounded, u² is
    // 1003 nm² instead of 1002 and ν 16.76.
    let (u, nu) = combine(&[(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]);
    assert!((u - 31.66).abs() < 0.02 && (nu - 16.7).abs() < 0.07, "{u} {nu}");
    assert_eq!(combine(&[(1.0, f64::INFINITY)]), (1.0, f64::INFINITY));
}

#[test]
fn linear_drift_cancels_between_references() {
    let references: Vec<f64> = (0..5).map(|i| 5.0 - 0.002 * f64::from(i)).collect();
    let lit: Vec<f64> = (0..4).map(|i| 5.0 - 0.002 * (f64::from(i) + 0.5) - 0.0125).collect();
    let b = bracket(&references, &lit).unwrap();
    assert!((b.response.value + 0.0125).abs() < 1e-12 && b.response.standard < 1e-12);
    assert_eq!(b.response.dof, 3.0);
    assert!(bracket(&references, &lit[1..]).is_none());
    assert!(bracket(&[1.0, 1.0], &[2.0]).unwrap().response.standard.is_infinite());
}

#[test]
fn bracket_uncertainty_matches_the_scatter_of_many_repeats() {
    // The stated variance must match the variance of repeated experiments although cycles share references.
    use rand::{Rng, SeedableRng, rngs::StdRng};
    let mut rng = StdRng::seed_from_u64(7);
    let mut draw = |n: usize| (0..n).map(|_| rng.sample::<f64, _>(rand_distr::StandardNormal)).collect::<Vec<f64>>();
    let (mut values, mut variances) = (Vec::new(), Vec::new());
    for _ in 0..20_000 {
        let b = bracket(&draw(5), &draw(4)).unwrap();
        values.push(b.response.value);
        variances.push(b.response.standard.powi(2));
    }
    let ratio = mean(&variances).unwrap() / sd(&values).unwrap().powi(2);
    assert!((ratio - 1.0).abs() < 0.05, "{ratio}");
}

#[test]
fn bursts_do_not_pull_the_robust_mean() {
    let mut xs: Vec<f64> = (0..64).map(|i| 5.0 + 1e-4 * f64::from(i % 5)).collect();
    let clean = mean(&xs).unwrap();
    xs[10..16].fill(4.9);
    assert!((robust_mean(&xs).unwrap() - clean).abs() < 5e-5);
    assert!((mean(&xs).unwrap() - clean).abs() > 5e-3);
}

const MICHELSO: [f64; 100] = [
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93, 299.65, 299.76, 299.81, 300.00,
    300.00, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88,
    299.88, 299.83, 299.80, 299.79, 299.76, 299.80, 299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88,
    299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84, 299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74,
    299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78, 299.89, 299.84, 299.78, 299.81, 299.76,
    299.81, 299.79, 299.81, 299.82, 299.85, 299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
];

const LOTTERY: [f64; 218] = [
    162.0, 671.0, 933.0, 414.0, 788.0, 730.0, 817.0, 33.0, 536.0, 875.0, 670.0, 236.0, 473.0, 167.0, 877.0, 980.0, 316.0, 950.0, 456.0,
    92.0, 517.0, 557.0, 956.0, 954.0, 104.0, 178.0, 794.0, 278.0, 147.0, 773.0, 437.0, 435.0, 502.0, 610.0, 582.0, 780.0, 689.0, 562.0,
    964.0, 791.0, 28.0, 97.0, 848.0, 281.0, 858.0, 538.0, 660.0, 972.0, 671.0, 613.0, 867.0, 448.0, 738.0, 966.0, 139.0, 636.0, 847.0,
    659.0, 754.0, 243.0, 122.0, 455.0, 195.0, 968.0, 793.0, 59.0, 730.0, 361.0, 574.0, 522.0, 97.0, 762.0, 431.0, 158.0, 429.0, 414.0,
    22.0, 629.0, 788.0, 999.0, 187.0, 215.0, 810.0, 782.0, 47.0, 34.0, 108.0, 986.0, 25.0, 644.0, 829.0, 630.0, 315.0, 567.0, 919.0, 331.0,
    207.0, 412.0, 242.0, 607.0, 668.0, 944.0, 749.0, 168.0, 864.0, 442.0, 533.0, 805.0, 372.0, 63.0, 458.0, 777.0, 416.0, 340.0, 436.0,
    140.0, 919.0, 350.0, 510.0, 572.0, 905.0, 900.0, 85.0, 389.0, 473.0, 758.0, 444.0, 169.0, 625.0, 692.0, 140.0, 897.0, 672.0, 288.0,
    312.0, 860.0, 724.0, 226.0, 884.0, 508.0, 976.0, 741.0, 476.0, 417.0, 831.0, 15.0, 318.0, 432.0, 241.0, 114.0, 799.0, 955.0, 833.0,
    358.0, 935.0, 146.0, 630.0, 830.0, 440.0, 642.0, 356.0, 373.0, 271.0, 715.0, 367.0, 393.0, 190.0, 669.0, 8.0, 861.0, 108.0, 795.0,
    269.0, 590.0, 326.0, 866.0, 64.0, 523.0, 862.0, 840.0, 219.0, 382.0, 998.0, 4.0, 628.0, 305.0, 747.0, 247.0, 34.0, 747.0, 729.0, 645.0,
    856.0, 974.0, 24.0, 568.0, 24.0, 694.0, 608.0, 480.0, 410.0, 729.0, 947.0, 293.0, 53.0, 930.0, 223.0, 203.0, 677.0, 227.0, 62.0, 455.0,
    387.0, 318.0, 562.0, 242.0, 428.0, 968.0,
];

/// NIST/SEMATECH e-Handbook 1.3.5.17, Grubbs: eight masses, of which 245.57 is an outlier by G = 2.468765 (critical 2.032 at 5 %). The
/// trimmed mean stays with the other seven.
#[test]
fn an_outlier_by_grubbs_does_not_pull_the_trimmed_mean() {
    let x = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
    let (m, s) = (mean(&x).unwrap(), sd(&x).unwrap());
    assert!((m - 206.43375).abs() < 1e-9 && (s - 15.852564).abs() < 1e-6);
    assert!(((x[7] - m) / s - 2.468765).abs() < 1e-6);
    let kept = trimmed(&x, 0.2).unwrap();
    assert!((kept.value - mean(&x[1..7]).unwrap()).abs() < 1e-12);
    assert!((kept.value - mean(&x[..7]).unwrap()).abs() < 2.0 * kept.standard, "{kept:?}");
    assert!((m - mean(&x[..7]).unwrap()).abs() > 5.0);
}

/// Common practice, no source: 5.02 V on a hand meter of 0.5 % + 2 digits (20 V range, so a digit is 10 mV) against 4.90 to 5.25 V passes.
/// 4.93 V is marginal: the meter's limits are 4.93 · 0.5 % + 20 mV = 45 mV, so the true volts may be 4.885.
#[test]
fn a_hand_meter_decides_with_its_own_accuracy() {
    let window = Limit { low: Some(4.90), high: Some(5.25) };
    let guard = |v: f64| 0.005 * v + 2.0 * 0.01;
    assert_eq!(decide(5.02, guard(5.02), window), CheckResult::Pass);
    assert_eq!(decide(4.93, guard(4.93), window), CheckResult::Marginal);
    assert_eq!(decide(5.31, guard(5.31), window), CheckResult::Fail);
}

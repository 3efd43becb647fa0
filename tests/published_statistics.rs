//! The arithmetic of metrology gives what standards, manuals and certified data sets print. Sources stand at the head of each
//! file in `check-values/`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_stats::charts::{capability, ewma, mean_range, range_constants};
use landfit_stats::gauge::Study;
use landfit_stats::gum::{Contribution, combine, correlations, coverage_factor, means_with_covariance, propagate};
use landfit_stats::linear_fit::fit;
use landfit_stats::positioning::{Target, evaluate};
use nalgebra::{DMatrix, DVector};
use serde_json::Value;

fn text(name: &str) -> String {
    let path = format!("{}/../../tests/check-values/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn json(name: &str) -> Value {
    serde_json::from_str(&text(name)).expect("JSON")
}

/// The rows of a CSV, comments and head left out.
fn rows(name: &str) -> Vec<Vec<String>> {
    let text = text(name);
    let lines = text.lines().filter(|l| !l.starts_with('#') && !l.trim().is_empty()).skip(1);
    lines.map(|l| l.split(',').map(|c| c.trim().to_owned()).collect()).collect()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

fn table(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().expect("a list").iter().map(numbers).collect()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs().max(1e-12), "{found} is not {expected}");
}

#[test]
fn the_end_gauge_of_gum_h1_has_its_printed_uncertainty() {
    let h1 = &json("gum_H1_H2.json")["H1"];
    let both = numbers(&h1["contributions_nm"]).into_iter().zip(numbers(&h1["dof"]));
    let contributions: Vec<Contribution> = both.map(|(u, dof)| Contribution { name: String::new(), u, dof }).collect();
    let combined = combine(&contributions);
    close(combined.u, 32.0, 0.01);
    close(combined.u, h1["uc_nm"].as_f64().unwrap(), 1e-12);
    close(combined.dof, h1["nu_eff"].as_f64().unwrap(), 1e-12);
    assert_eq!(combined.dof.floor() as u32, 16);
    close(coverage_factor(combined.dof, 0.99), 2.92, 1e-3);
    close(combined.expanded(0.99), 93.0, 5e-3);
    close(combined.expanded(0.95), h1["U_95_nm"].as_f64().unwrap(), 1e-6);
}

#[test]
fn the_impedance_of_gum_h2_has_its_printed_uncertainties_and_correlations() {
    let h2 = &json("gum_H1_H2.json")["H2"];
    let (v, i, phi) = (numbers(&h2["V"]), numbers(&h2["I_A"]), numbers(&h2["phi_rad"]));
    let sets: Vec<Vec<f64>> = (0..v.len()).map(|n| vec![v[n], i[n], phi[n]]).collect();
    let (means, covariance) = means_with_covariance(&sets).expect("five sets");
    let (v, i, phi) = (means[0], means[1], means[2]);
    let (r, x, z) = (v / i * phi.cos(), v / i * phi.sin(), v / i);
    let slopes = [[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]];
    let found = propagate(&DMatrix::from_fn(3, 3, |a, b| slopes[a][b]), &covariance);
    let printed = [(r, 127.732, 0.071), (x, 219.847, 0.295), (z, 254.260, 0.236)];
    for (k, (value, expected, u)) in printed.into_iter().enumerate() {
        close(value, expected, 1e-5);
        // Printed 0.295 for X; the data give 0.2956.
        close(found[(k, k)].sqrt(), u, 3e-3);
        close(found[(k, k)].sqrt(), numbers(&h2["u"])[k], 1e-9);
    }
    let r = correlations(&found);
    for (k, expected) in [(r[(0, 1)], -0.588), (r[(0, 2)], -0.485), (r[(1, 2)], 0.993)] {
        close(k, expected, 2e-3);
    }
}

#[test]
fn the_positioning_example_comes_out_as_the_standard_defines_it() {
    let example = json("iso230_2_example.json");
    let positions = numbers(&example["target_mm"]);
    let (up, down) = (table(&example["forward_mm"]), table(&example["backward_mm"]));
    let off = |row: &[f64], at: f64| row.iter().map(|v| v - at).collect();
    let targets: Vec<Target> =
        (0..5).map(|i| Target { position: positions[i], up: off(&up[i], positions[i]), down: off(&down[i], positions[i]) }).collect();
    let p = evaluate(&targets).expect("a full test");
    let expected = |key: &str| example[key].as_f64().expect("a number");
    let found = [
        ("B", p.reversal),
        ("B_mean", p.mean_reversal),
        ("R_fwd", p.repeatability_one_way[0]),
        ("R_bwd", p.repeatability_one_way[1]),
        ("R", p.repeatability),
        ("E_fwd", p.systematic_one_way[0]),
        ("E_bwd", p.systematic_one_way[1]),
        ("E", p.systematic),
        ("M", p.mean_bidirectional),
        ("A_fwd", p.accuracy_one_way[0]),
        ("A_bwd", p.accuracy_one_way[1]),
        ("A", p.accuracy),
    ];
    for (key, value) in found {
        close(value, expected(key), 1e-9);
    }
    // What the report itself prints, but for R and E, where it does not follow the standard.
    let printed = &example["printed_in_report"];
    for (key, value) in found.into_iter().filter(|(k, _)| !["R", "E"].contains(k)) {
        assert!((value - printed[key].as_f64().expect("a number")).abs() < 1.1e-5, "{key}: {value}");
    }
}

#[test]
fn a_gauge_study_comes_out_as_its_manual_prints_it_by_variance_and_by_ranges() {
    let expected = json("grr_aiag_expected.json");
    let rows: Vec<_> = rows("grr_aiag_10x3x3.csv").iter().map(|r| (r[0].clone(), r[1].clone(), r[3].parse().expect("a number"))).collect();
    let study = Study::new(&rows).expect("a crossed study");
    let anova = study.anova();
    let e = &expected["anova"];
    for (i, key) in ["part", "operator", "interaction", "repeatability"].into_iter().enumerate() {
        close(anova.sums[i], e["SS"][key].as_f64().unwrap(), 1e-10);
    }
    assert!(anova.pooled);
    close(anova.interaction_f, 0.434, 1e-3);
    close(anova.interaction_p, 0.9741064043290462, 1e-6);
    let s = anova.spread;
    for (found, printed) in [(s.equipment, 0.199933), (s.people, 0.226838), (s.gauge, 0.302373), (s.parts, 1.042327), (s.total, 1.085)] {
        close(found, printed, 5e-4);
    }
    close(s.gauge_percent(), 27.9, 2e-3);
    assert_eq!(s.categories() as u32, 4);
    let a = study.average_and_range();
    for (found, printed) in [(a.equipment, 0.20188), (a.people, 0.22963), (a.gauge, 0.30575), (a.parts, 1.10456), (a.total, 1.14610)] {
        close(found, printed, 3e-4);
    }
    close(a.gauge_percent(), 26.68, 3e-4);
    assert_eq!(a.categories() as u32, 5);
}

#[test]
fn the_constants_of_range_charts_are_those_of_the_tables() {
    for row in rows("control_chart_constants.csv") {
        let n: usize = row[0].parse().expect("a number");
        let (d2, d3) = range_constants(n);
        let of = |i: usize| row[i].parse::<f64>().expect("a number");
        // The file's own integration is good to some 1e-5.
        close(d2, of(1), 2e-5);
        close(d3, of(2), 2e-5);
        close(3.0 / (d2 * (n as f64).sqrt()), of(4), 3e-5);
    }
}

#[test]
fn the_piston_rings_have_their_published_limits_and_capability() {
    let e = json("xbar_r_expected.json");
    let groups: Vec<Vec<f64>> =
        rows("xbar_r_piston_rings.csv").iter().map(|r| r[1..].iter().map(|v| v.parse().expect("a number")).collect()).collect();
    let chart = mean_range(&groups).expect("a chart");
    close(chart.means.centre, 74.001176, 1e-9);
    close(chart.ranges.centre, 0.02276, 1e-9);
    close(chart.means.upper, e["xbar_UCL"].as_f64().unwrap(), 1e-8);
    close(chart.means.lower, e["xbar_LCL"].as_f64().unwrap(), 1e-8);
    close(chart.ranges.upper, e["R_UCL"].as_f64().unwrap(), 1e-4);
    assert_eq!(chart.ranges.lower, 0.0);
    let c = capability(chart.means.centre, chart.sd_within, 73.95, 74.05);
    close(c.cp, 1.70, 3e-3);
    close(c.cpk, 1.66, 3e-3);
    close(chart.sd_overall, e["overall_s"].as_f64().unwrap(), 1e-9);
}

#[test]
fn capability_and_moving_average_follow_the_handbook() {
    let e = json("cpk_nist.json");
    let c = capability(16.0, 2.0, 8.0, 20.0);
    close(c.cp, e["Cp"].as_f64().unwrap(), 1e-12);
    close(c.cpu, e["Cpu"].as_f64().unwrap(), 1e-12);
    close(c.cpl, e["Cpl"].as_f64().unwrap(), 1e-12);
    close(c.cpk, e["Cpk"].as_f64().unwrap(), 1e-12);
    let e = json("ewma_nist.json");
    let chart = ewma(&numbers(&e["data"]), 50.0, 2.0539, 0.3);
    for (found, expected) in chart.values.iter().zip(numbers(&e["ewma"])) {
        close(*found, expected, 1e-12);
    }
    close(chart.limits.upper, 52.5884, 1e-6);
    close(chart.limits.lower, 47.4115, 2e-6);
}

#[test]
fn line_fits_reach_the_certified_values_of_norris_and_longley() {
    let points: Vec<(f64, f64)> =
        rows("nist_norris.csv").iter().map(|r| (r[0].parse().expect("a number"), r[1].parse().expect("a number"))).collect();
    let columns = DMatrix::from_fn(points.len(), 2, |r, c| if c == 0 { 1.0 } else { points[r].0 });
    let readings = DVector::from_iterator(points.len(), points.iter().map(|p| p.1));
    let line = fit(&columns, &readings).expect("a line");
    close(line.coefficients[0], -0.262323073774029, 1e-11);
    close(line.coefficients[1], 1.00211681802045, 1e-12);
    close(line.sd(0), 0.232818234301152, 1e-11);
    close(line.sd(1), 0.429796848199937E-03, 1e-11);
    close(line.residual_sd, 0.884796396144373, 1e-11);
    close(line.r_squared(&readings), 0.999993745883712, 1e-14);

    let table: Vec<Vec<f64>> = rows("nist_longley.csv").iter().map(|r| r.iter().map(|v| v.parse().expect("a number")).collect()).collect();
    let columns = DMatrix::from_fn(table.len(), 7, |r, c| if c == 0 { 1.0 } else { table[r][c] });
    let readings = DVector::from_iterator(table.len(), table.iter().map(|r| r[0]));
    let plane = fit(&columns, &readings).expect("a plane");
    let certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910E-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807E-01,
        1829.15146461355,
    ];
    for (found, expected) in plane.coefficients.iter().zip(certified) {
        close(*found, expected, 1e-8);
    }
    close(plane.residual_sd, 304.854073561965, 1e-9);
    close(plane.r_squared(&readings), 0.995479004577296, 1e-11);
}

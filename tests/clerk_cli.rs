//! The clerk's commands from outside: status, one plain line, nothing on the other stream.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

use std::process::{Command, Output};

const METER: &str = "fixtures/meters/club-bench.toml";

fn hushbeat(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushbeat"))
        .args(args)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap()
}

#[test]
fn a_correction_comes_out_as_text_and_as_json() {
    let args = ["correct", "--meter", METER, "--range", "high", "--reading", "11/44.3", "--harmonic", "2"];
    let heard = ["--offset", "3.21Hz", "--side", "high", "--check", "1800.5:4/1:12Hz:low"];
    let text = hushbeat(&[&args[..], &heard].concat());
    assert!(text.status.success() && text.stderr.is_empty());
    let lines = String::from_utf8(text.stdout).unwrap();
    assert!(lines.starts_with("signal  372") && lines.lines().count() < 25, "{lines}");
    let json = hushbeat(&[&args[..], &heard, &["--json"]].concat());
    let record: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    for key in [
        "frequency_hz",
        "u_hz",
        "expanded_u_hz",
        "coverage_factor",
        "effective_dof",
        "alternatives_hz",
        "meter_hz",
        "harmonic",
        "signal_harmonic",
        "offset_hz",
        "side",
        "line",
        "budget",
        "target",
        "warnings",
    ] {
        assert!(record.get(key).is_some(), "no {key}");
    }
    for key in ["source", "value", "unit", "sensitivity", "u_hz", "kind", "dof"] {
        assert!(record["budget"][0].get(key).is_some(), "no {key}");
    }
}

/// A link of the sound card hands its degrees of freedom and the shape of its interval on, as a crystal's does.
#[test]
fn a_link_of_the_card_is_carried_on_as_it_was_found() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("card.json");
    let name = file.display().to_string();
    for (factor, dof, shape) in [(4.30, Some(2.0), "normal"), (1.65, None, "rectangle")] {
        let link = serde_json::json!({
            "reference": "card", "checked": "2026-05-01", "error_ppm": 37.0, "u_ppm": 500.0,
            "coverage_factor": factor, "effective_dof": dof,
        });
        std::fs::write(&file, link.to_string()).unwrap();
        let given = [
            "--meter",
            METER,
            "--range",
            "high",
            "--reading",
            "1800.5",
            "--offset",
            "3000Hz",
            "--side",
            "low",
        ];
        let out = hushbeat(&[&["correct", "--json", "--card", &name][..], &given].concat());
        let record: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        let budget = record["budget"].as_array().unwrap();
        let line = budget.iter().find(|line| line["source"] == "sound-card clock").unwrap();
        assert_eq!((line["dof"].as_f64(), line["shape"].as_str()), (dof, Some(shape)), "{line}");
    }
}

#[test]
fn refusals_say_what_where_and_how_to_mend_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let text = std::fs::read_to_string(METER).unwrap();
    std::fs::write(
        path("m.toml"),
        text.replace("../books/club-bench-high.csv", "bad.csv")
            .replace("../books/club-bench-low.csv", "bad.csv"),
    )
    .unwrap();
    std::fs::write(path("bad.csv"), "frequency_khz,reading\n160,100\n159,120\n330,4700\n").unwrap();
    let bad = path("m.toml");
    let correct = |meter: &str, rest: &[&str]| {
        hushbeat(&[&["correct", "--meter", meter, "--range", "high"], rest].concat())
    };
    let dial = |rest: &[&str]| hushbeat(&[&["dial", "--meter", METER], rest].concat());
    let cases = [
        (
            correct("nowhere.toml", &["--reading", "1800", "--within", "20Hz"]),
            1,
            "nowhere.toml: can't be read",
        ),
        (
            correct(&bad, &["--reading", "1800", "--within", "20Hz"]),
            1,
            "bad.csv:3: 159 kHz does not come after 160 kHz",
        ),
        (correct(METER, &["--reading", "4800.1", "--within", "20Hz"]), 1, "reading 4800.1 is off the dial"),
        (correct(METER, &["--reading", "18oo", "--within", "20Hz"]), 2, "`18oo` is not a reading"),
        (correct(METER, &["--reading", "1800", "--within", "20"]), 2, "`20` has no unit"),
        (correct(METER, &["--reading", "1800", "--offset", "20Hz"]), 2, "--side"),
        (
            correct(METER, &["--reading", "1800", "--within", "20Hz", "--check", "1800:4/1"]),
            2,
            "is not a check",
        ),
        (dial(&["--frequency", "37MHz"]), 1, "no range of `club bench meter` reaches 37000000 Hz"),
        (dial(&["--frequency", "3725"]), 2, "`3725` has no unit"),
    ];
    for (output, status, said) in cases {
        let stderr = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(status), "{stderr}");
        assert!(stderr.contains(said), "{stderr}\n  not {said}");
        assert!(output.stdout.is_empty());
        if status == 1 {
            assert!(stderr.trim_end().lines().count() == 1 && stderr.contains("hint: "), "{stderr}");
        }
    }
}

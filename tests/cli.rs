//! The command line from outside: README's examples, the help texts, and one plain line for everything that is wrong.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn hushbeat(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushbeat")).args(words).output().expect("the program runs")
}

fn fixture(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name).display().to_string()
}

/// A file that lives as long as the folder.
fn file(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    fs::write(&path, bytes).expect("the folder is ours");
    path
}

/// Runs, and expects this status, nothing on the output, and one line on the error output that holds all of `parts`.
fn refused(words: &[&str], status: i32, parts: &[&str]) {
    let output = hushbeat(words);
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(status), "{words:?}: {told}");
    assert_eq!(String::from_utf8_lossy(&output.stdout), "", "{words:?}");
    assert_eq!(told.lines().count(), 1, "{words:?}: {told}");
    assert!(told.starts_with("hushbeat: "), "{told}");
    for part in parts {
        assert!(told.contains(part), "{words:?}: `{part}` is missing in: {told}");
    }
}

#[test]
fn readme_and_help_texts_say_what_the_program_does() {
    trycmd::TestCases::new().case("README.md").case("tests/cmd/*.trycmd");
}

#[test]
fn recordings_that_are_none() {
    let folder = tempfile::tempdir().unwrap();
    let text = file(folder.path(), "notes.wav", b"dial readings of Tuesday\n");
    let empty = file(folder.path(), "empty.wav", b"");
    let missing = folder.path().join("missing.wav");
    for (path, what) in [(&text, "notes.wav"), (&empty, "empty.wav"), (&missing, "missing.wav")] {
        refused(&["analyse", path.to_str().unwrap()], 1, &[what, "hint: "]);
    }
    refused(&["analyse", folder.path().to_str().unwrap()], 1, &["hint: "]);
}

#[test]
fn an_unreadable_recording_is_an_object_in_json_and_the_others_go_on() {
    let good = fixture("recordings/two-rests.wav");
    let output = hushbeat(&["analyse", "--json", "missing.wav", &good]);
    assert_eq!(output.status.code(), Some(1));
    let lines: Vec<serde_json::Value> =
        String::from_utf8(output.stdout).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(lines[0]["input"]["path"], "missing.wav");
    assert!(lines[0]["error"].as_str().unwrap().contains("hint: "));
    assert_eq!(lines[1]["input"]["path"], good.as_str());
    assert_eq!(lines[1]["schema"], 1);
}

#[test]
fn a_recording_comes_in_by_a_pipe_too() {
    let path = fixture("recordings/two-rests.wav");
    let sound = fs::File::open(&path).unwrap();
    let program = env!("CARGO_BIN_EXE_hushbeat");
    let piped = Command::new(program).args(["analyse", "--json", "-"]).stdin(sound).output().unwrap();
    let named = hushbeat(&["analyse", "--json", &path]);
    let heard = |bytes: &[u8]| {
        let mut answer: serde_json::Value = serde_json::from_slice(bytes).unwrap();
        answer.as_object_mut().unwrap().remove("input").unwrap();
        answer
    };
    assert_eq!(heard(&piped.stdout), heard(&named.stdout));
}

#[test]
fn a_part_of_a_recording_keeps_the_times_of_the_whole() {
    let path = fixture("recordings/two-rests.wav");
    let output = hushbeat(&["analyse", "--json", "--span", "7s..12s", &path]);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let rest = &answer["rests"][0];
    assert!(rest["start_s"].as_f64().unwrap() >= 7.0, "{rest}");
    // The second rest of this recording: 171.7 Hz from 8 to 12 s, by its making.
    assert!((rest["offset_hz"].as_f64().unwrap() - 171.7).abs() < 0.01, "{rest}");
    refused(&["analyse", "--span", "40s..50s", &path], 1, &["two-rests.wav", "12.00 s", "hint: "]);
}

#[test]
fn channels_that_are_not_there() {
    refused(
        &["analyse", "--channel", "3", &fixture("recordings/two-rests.wav")],
        1,
        &["channel 3", "hint: "],
    );
}

#[test]
fn wrong_command_lines() {
    refused(&[], 2, &["hint: hushbeat demo"]);
    refused(&["anlyse"], 2, &["analyse"]);
    refused(&["analyse"], 2, &["FILE"]);
    refused(&["analyse", "--mains", "55", "x.wav"], 2, &["`55` has no unit", "55Hz"]);
    refused(&["analyse", "--plot", "x.jpg", "x.wav"], 2, &[".svg or .png"]);
    refused(&["analyse", "--span", "5", "x.wav"], 2, &["FROM..TO"]);
    refused(&["analyse", "--plot", "x.svg", "a.wav", "b.wav"], 2, &["one recording at a time"]);
    let meter = fixture("meters/club-bench.toml");
    refused(&["dial", "--meter", &meter, "--frequency", "3725"], 2, &["`3725` has no unit", "3725kHz"]);
}

#[test]
fn meters_and_readings_that_can_not_be_used() {
    let meter = fixture("meters/club-bench.toml");
    refused(&["dial", "--meter", "no.toml", "--frequency", "3MHz"], 1, &["no.toml", "hint: "]);
    refused(&["dial", "--meter", &meter, "--frequency", "900MHz"], 1, &["900", "hint: "]);
    refused(&["dial", "--meter", &meter, "--range", "high", "--reading", "5000"], 1, &["5000", "hint: "]);
    // A book with two rows swapped: told with its file and line.
    let folder = tempfile::tempdir().unwrap();
    let book = fs::read_to_string(fixture("books/club-bench-high.csv")).unwrap();
    let mut rows: Vec<&str> = book.lines().collect();
    let last = rows.len() - 1;
    rows.swap(last, last - 1);
    file(folder.path(), "high.csv", rows.join("\n").as_bytes());
    let text = fs::read_to_string(&meter).unwrap().replace("../books/club-bench-high.csv", "high.csv");
    let text = text.replace("../books/club-bench-low.csv", &fixture("books/club-bench-low.csv"));
    let swapped = file(folder.path(), "meter.toml", text.as_bytes());
    let line = format!("high.csv:{}", last + 1);
    refused(&["dial", "--meter", swapped.to_str().unwrap(), "--frequency", "3MHz"], 1, &[&line, "hint: "]);
}

#[test]
fn outputs_that_can_not_be_written_leave_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let nowhere = folder.path().join("nowhere/out.svg");
    let path = fixture("recordings/hum-only.wav");
    let output = hushbeat(&["analyse", "--plot", nowhere.to_str().unwrap(), &path]);
    assert_eq!(output.status.code(), Some(1));
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.lines().count() == 1 && told.contains("nowhere") && told.contains("hint: "), "{told}");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn the_demo_tells_the_whole_job_and_leaves_its_picture() {
    let folder = tempfile::tempdir().unwrap();
    let output =
        Command::new(env!("CARGO_BIN_EXE_hushbeat")).arg("demo").current_dir(folder.path()).output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && told.lines().count() < 20, "{told}");
    assert!(told.contains("hushbeat-demo.svg") && told.contains("Hz below the signal"), "{told}");
    let picture = fs::read_to_string(folder.path().join("hushbeat-demo.svg")).unwrap();
    assert!(picture.starts_with("<svg ") && picture.contains("meter below the signal"));
}

/// The answer in brackets, such as `62.40Hz:high`.
fn in_brackets(text: &str) -> &str {
    text.split_once("s (").and_then(|(_, rest)| rest.split_once(')')).map_or("", |(answer, _)| answer)
}

#[test]
fn practice_is_made_told_and_marked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("practice.wav").display().to_string();
    let told = |words: &[&str]| String::from_utf8(hushbeat(words).stdout).unwrap();
    let task = told(&["rehearse", &path, "--seed", "12", "--level", "hum"]);
    assert!(task.contains("level hum") && task.contains("--turning ") && !task.contains("answer"), "{task}");
    let with_answer = told(&["rehearse", &path, "--answer"]);
    assert!(with_answer.starts_with(&task), "{with_answer}");
    let right = in_brackets(with_answer.rsplit("answer ").next().unwrap()).to_owned();
    let (size, side) = right.split_once(':').unwrap();
    // The program's own ear is a trainee too.
    let turning = if task.contains("--turning up") { "up" } else { "down" };
    let heard = hushbeat(&["analyse", "--json", "--turning", turning, &path]);
    let heard: serde_json::Value = serde_json::from_slice(&heard.stdout).unwrap();
    let rest = heard["rests"].as_array().unwrap().last().unwrap();
    let own = format!("{}Hz:{}", rest["offset_hz"], rest["side"].as_str().unwrap());
    let marked = told(&["rehearse", "--check", &path, &own]);
    assert!(
        marked.contains("as near as it can be measured") && marked.contains("side      right"),
        "{marked}"
    );
    let other = if side == "high" { "low" } else { "high" };
    let marked = told(&["rehearse", "--check", &path, &format!("{size}:{other}")]);
    assert!(marked.contains("the other one"), "{marked}");

    refused(&["rehearse", &path], 1, &["practice.wav", "hint: "]);
    refused(&["rehearse", "--check", &path, "62.4"], 2, &["has no unit"]);
    let no_practice = fixture("recordings/two-rests.wav");
    refused(&["rehearse", "--check", &no_practice, "9Hz"], 1, &["no practice recording", "hint: "]);
    fs::write(&path, "another").unwrap();
    refused(&["rehearse", "--check", &path, "9Hz"], 1, &["is not the recording", "hint: "]);
}

#[test]
fn a_report_holds_everything_and_fetches_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("report.html");
    let lens = folder.path().join("lens.png");
    let words = ["--report", page.to_str().unwrap(), "--lens", lens.to_str().unwrap()];
    let path = fixture("recordings/fall-to-rest.wav");
    let output = hushbeat(&[&["analyse", "--turning", "up", &path], &words[..]].concat());
    assert!(output.status.success(), "{output:?}");
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains("38.6003") && page.matches("<svg").count() == 3, "{}", &page[..900]);
    assert!(!page.contains("<script") && !page.replace("http://www.w3.org/2000/svg", "").contains("http"));
    assert!(fs::read(lens).unwrap().starts_with(b"\x89PNG"));
    // Without a rest there is nothing under the lens; the answer is given all the same.
    let nothing = folder.path().join("nothing.svg");
    let output =
        hushbeat(&["analyse", "--lens", nothing.to_str().unwrap(), &fixture("recordings/hum-only.wav")]);
    let told = String::from_utf8(output.stderr).unwrap();
    assert_eq!((output.status.code(), told.lines().count()), (Some(1), 1), "{told}");
    assert!(told.contains("hint: ") && !output.stdout.is_empty() && !nothing.exists(), "{told}");
}

/// Completions and manual pages exist for every shell and command.
#[test]
fn shells_and_the_manual_know_every_command() {
    let commands =
        ["demo", "analyse", "correct", "dial", "checkpoints", "inputs", "listen", "log", "rehearse"];
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let text = String::from_utf8(hushbeat(&["completions", shell]).stdout).unwrap();
        assert!(commands.iter().all(|command| text.contains(command)) && text.contains("turning"), "{shell}");
    }
    for command in commands {
        let text = String::from_utf8(hushbeat(&["manual", command]).stdout).unwrap();
        assert!(text.contains(".TH") && text.contains(&format!("hushbeat\\-{command}")), "{command}: {text}");
    }
    let text = String::from_utf8(hushbeat(&["manual", "log", "strike"]).stdout).unwrap();
    assert!(text.contains("hushbeat log strike"), "{text}");
    refused(&["manual", "anlyse"], 2, &["hint: "]);
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_hushbeat"))
        .args(["analyse", "--json", &fixture("recordings/hum-only.wav")])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
}

#[test]
fn links_of_the_chain_that_can_not_be_made() {
    let crystal = |more: &[&str], status, parts: &[&str]| {
        refused(&[&["reference", "crystal", "--carrier", "10MHz"][..], more].concat(), status, parts);
    };
    crystal(
        &["--harmonic", "3", "--nominal", "3.3MHz", "--offset", "8Hz", "--side", "high"],
        1,
        &["no harmonic of 3.3 MHz reaches 10 MHz", "hint: "],
    );
    crystal(
        &["--harmonic", "10", "--offset", "8Hz", "--side", "high", "--touch", "rises"],
        1,
        &["contradictory sides", "--side", "--touch", "hint: "],
    );
    crystal(&["--harmonic", "10", "--offset", "8Hz"], 1, &["side of the offset is not known", "--touch"]);
    crystal(&["--harmonic", "10"], 2, &["hint: "]);
    crystal(
        &["--harmonic", "9", "--offset", "8Hz", "--side", "high"],
        2,
        &["harmonic 9 of no usual crystal reaches 10000000 Hz", "--nominal"],
    );
    let station = ["reference", "card", "x.wav", "--station", "WWV", "--tone"];
    refused(&[&station[..], &["1000Hz"]].concat(), 1, &["WWV does not send 1000 Hz", "440 Hz", "hint: "]);
    refused(&[&station[..], &["600Hz"]].concat(), 1, &["one tone can't tell", "--received am"]);
    refused(&["reference", "card", "x.wav", "--tone", "600"], 2, &["no unit"]);
    refused(
        &[
            "correct",
            "--meter",
            &fixture("meters/club-bench.toml"),
            "--range",
            "high",
            "--reading",
            "8/49.0",
            "--within",
            "20Hz",
            "--card",
            "no such card",
        ],
        1,
        &["no such card: neither a file nor an input"],
    );
    let folder = tempfile::tempdir().unwrap();
    let series = file(folder.path(), "s.csv", b"value\n1\nx\n");
    let series = series.to_str().unwrap();
    refused(&["drift", "--series", series, "--tau0", "1s"], 1, &["s.csv:3", "`x` is not a value", "hint: "]);
    refused(&["drift", "--series", series], 2, &["--tau0"]);
    refused(&["drift", "--series", series, "--tau0", "1s", "--limit", "3"], 2, &["not a limit for a rate"]);
    refused(&["drift", &fixture("recordings/hum-only.wav")], 1, &["no note stands in it", "hint: "]);
}

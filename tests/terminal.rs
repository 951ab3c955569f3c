//! The live screen on a real terminal: what it shows, and that the terminal is put back however it ends.
#![cfg(unix)]

#[path = "support/pty.rs"]
mod pty;

use pty::Terminal;

/// A replay of a fixture that rests at 38.6 Hz.
fn listening(options: &str) -> String {
    let program = env!("CARGO_BIN_EXE_hushbeat");
    let fixture = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/recordings/fall-to-rest.wav");
    format!("{program} listen --replay {fixture} {options}")
}

#[test]
fn a_rest_is_shown_and_marked_and_the_marks_are_printed() {
    let Some(mut terminal) = Terminal::run(&listening("--speed 4"), |_| {}) else { return };
    let shown = terminal.wait_for(&["closing in, keep turning"]);
    assert!(shown.contains("in the hand: meter, way not said"), "{shown}");
    let shown = terminal.wait_for(&["38.60"]);
    assert!(shown.contains("give or take") && shown.contains("input good"), "{shown}");
    terminal.press("\t");
    terminal.wait_for(&["in the hand: transmitter"]);
    terminal.press("\u{1b}[A");
    terminal.wait_for(&["going up"]);
    terminal.press(" ");
    terminal.wait_for(&["rest marked, number 1", "no rest to mark"]);
    terminal.press("?");
    terminal.wait_for(&["what the keys do"]);
    terminal.press("q");
    let shown = terminal.ends_well(0);
    assert!(shown.contains("Rests marked") || shown.contains("No rest was marked"), "{shown}");
}

#[test]
fn the_end_of_a_recording_ends_the_screen() {
    let Some(terminal) = Terminal::run(&listening("--speed max"), |_| {}) else { return };
    assert!(terminal.ends_well(0).contains("No rest was marked."));
}

#[test]
fn asked_to_end_it_puts_the_terminal_back() {
    for signal in ["TERM", "INT", "HUP"] {
        // The shell becomes the program, so that its own number is the program's.
        let line = format!("sh -c '(sleep 1; kill -{signal} $$) & exec {}'", listening(""));
        let Some(terminal) = Terminal::run(&line, |_| {}) else { return };
        terminal.wait_for(&["in the hand"]);
        terminal.ends_well(0);
    }
}

/// From one cell to more than any screen has, while it runs; a terminal that does not know its size too.
#[test]
fn any_size_and_any_change_of_size_is_drawn() {
    let sizes = "1 1|200 500|1 500|200 1|2 3|0 0|24 80|5 20|24 80";
    let change = "stty rows ${s% *} cols ${s#* } < /dev/tty; sleep 0.2";
    let line =
        format!("sh -c '(sleep 1; IFS=\"|\"; for s in {sizes}; do {change}; done) & exec {}'", listening(""));
    let line = line.replace(sizes, &format!("\"{}\"", sizes.replace('|', "\" \"")));
    let Some(mut terminal) = Terminal::run(&line, |_| {}) else { return };
    terminal.wait_for(&["in the hand"]);
    terminal.wait_for(&["38.60"]);
    terminal.press("q");
    terminal.ends_well(0);
}

#[test]
fn it_begins_on_a_terminal_of_one_cell() {
    for size in ["1 1", "0 0", "200 500"] {
        let (rows, columns) = size.split_once(' ').expect("two numbers");
        let line = format!(
            "sh -c 'stty rows {rows} cols {columns}; {}; kept=$?; stty rows 24 cols 80; exit $kept'",
            listening("--speed max")
        );
        let Some(terminal) = Terminal::run(&line, |_| {}) else { return };
        terminal.ends_well(0);
    }
}

/// A terminal of which nothing is known gets lines, not a screen.
#[test]
fn without_a_terminal_type_there_are_plain_lines() {
    for adjust in ["env -u TERM", "env TERM=dumb", "env TERM="] {
        let line = format!("{adjust} {}", listening("--speed max"));
        let Some(terminal) = Terminal::run(&line, |_| {}) else { return };
        let shown = terminal.wait_for(&["status 0"]);
        assert!(shown.contains("38.60") && !terminal.written().contains('\u{1b}'), "{adjust}: {shown}");
        terminal.ends_well(0);
    }
}

#[test]
fn colour_is_left_out_where_none_is_wanted() {
    // Colours are set by 30 to 37, 40 to 47, 90 to 107, and 38 or 48 with what follows (ECMA-48, section 8.3.117).
    let coloured = |text: &str| {
        let sets =
            text.split("\u{1b}[").filter_map(|rest| rest.split_once(|c: char| c.is_ascii_alphabetic()));
        let sets = sets.filter(|(numbers, _)| text.contains(&format!("\u{1b}[{numbers}m")));
        sets.flat_map(|(numbers, _)| {
            numbers.split(';').filter_map(|n| n.parse::<u8>().ok()).collect::<Vec<_>>()
        })
        .any(|n| matches!(n, 30..=38 | 40..=48 | 90..=107))
    };
    for (value, expected) in [("", true), ("1", false)] {
        let line = listening("--speed 20");
        let Some(mut terminal) = Terminal::run(&line, |command| {
            command.env("NO_COLOR", value);
        }) else {
            return;
        };
        terminal.wait_for(&["38.60"]);
        terminal.press("q");
        assert_eq!(coloured(&terminal.written()), expected, "NO_COLOR={value}");
        terminal.ends_well(0);
    }
}

/// The terminal is closed under the screen, its window or its connection gone: the program ends by itself.
#[cfg(target_os = "linux")]
#[test]
fn a_terminal_that_is_closed_ends_the_program() {
    let folder = tempfile::tempdir().expect("a folder");
    let number = folder.path().join("number");
    let line = format!("sh -c 'echo $$ > {}; exec {}'", number.display(), listening("--speed 0.02"));
    let Some(terminal) = Terminal::run(&line, |_| {}) else { return };
    terminal.wait_for(&["in the hand"]);
    let number = std::fs::read_to_string(number).expect("its number");
    let number = number.trim();
    drop(terminal);
    // Ended, or ended and not yet taken note of by whoever inherited it.
    let runs = || {
        let stat = std::fs::read_to_string(format!("/proc/{number}/stat")).unwrap_or_default();
        stat.rsplit(')')
            .next()
            .and_then(|rest| rest.split_whitespace().next())
            .is_some_and(|state| state != "Z")
    };
    let began = std::time::Instant::now();
    while runs() {
        if began.elapsed() > std::time::Duration::from_secs(30) {
            let _ = std::process::Command::new("kill").args(["-9", number]).status();
            panic!("it was still there after half a minute");
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

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

//! The program on a terminal of its own: `script` gives the terminal, `vt100` reads what is on it.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

/// A terminal of 80 × 24 on which something runs.
pub struct Terminal {
    folder: tempfile::TempDir,
    child: Child,
    keys: Option<ChildStdin>,
}

impl Terminal {
    /// Runs a shell line on a terminal; the terminal's settings before and after stand around what it writes. None
    /// where there is no `script`.
    pub fn run(line: &str, adjust: impl FnOnce(&mut Command)) -> Option<Self> {
        if Command::new("script").arg("--version").stdout(Stdio::null()).status().is_err() {
            let _ = writeln!(io::stderr(), "skipped: there is no `script` to give a terminal");
            return None;
        }
        let folder = tempfile::tempdir().expect("a folder");
        let line = format!("stty rows 24 cols 80; stty -g; {line}; echo status $?; stty -g");
        let mut command = Command::new("script");
        command
            .args(["-qefc", &line, "/dev/null"])
            .env("TERM", "xterm")
            .stdin(Stdio::piped())
            .stdout(File::create(folder.path().join("shown")).expect("a file for what is shown"));
        adjust(&mut command);
        let mut child = command.spawn().expect("it starts");
        let keys = child.stdin.take();
        Some(Self { folder, child, keys })
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("shown")
    }

    /// Everything written to the terminal so far.
    pub fn written(&self) -> String {
        String::from_utf8_lossy(&fs::read(self.file()).unwrap_or_default()).into_owned()
    }

    /// What is on the terminal now.
    pub fn shown(&self) -> String {
        let mut parser = vt100::Parser::new(24, 80, 0);
        parser.process(&fs::read(self.file()).unwrap_or_default());
        parser.screen().contents()
    }

    /// Waits until one of these words is on the terminal, and returns what is there then.
    pub fn wait_for(&self, words: &[&str]) -> String {
        let began = Instant::now();
        loop {
            let shown = self.shown();
            if words.iter().any(|word| shown.contains(word)) {
                return shown;
            }
            assert!(began.elapsed() < Duration::from_secs(30), "half a minute for {words:?}:\n{shown}");
            thread::sleep(Duration::from_millis(20));
        }
    }

    /// Presses keys.
    pub fn press(&mut self, keys: &str) {
        let terminal = self.keys.as_mut().expect("not yet ended");
        terminal.write_all(keys.as_bytes()).and_then(|()| terminal.flush()).expect("it takes keys");
    }

    /// Waits for the end and checks that the terminal is as it was: settings, cursor, and the first of its screens.
    pub fn ends_well(mut self, status: i32) -> String {
        self.wait_for(&[&format!("status {status}")]);
        let began = Instant::now();
        while self.settings().len() < 2 {
            assert!(began.elapsed() < Duration::from_secs(30), "the settings were not told again");
            thread::sleep(Duration::from_millis(20));
        }
        self.keys = None;
        self.child.wait().expect("it ends");
        let settings = self.settings();
        assert_eq!(settings[0], settings[1], "the terminal's settings");
        let mut parser = vt100::Parser::new(24, 80, 0);
        parser.process(&fs::read(self.file()).expect("what was shown"));
        assert!(!parser.screen().alternate_screen() && !parser.screen().hide_cursor());
        parser.screen().contents()
    }

    /// The lines that `stty -g` wrote: numbers between colons.
    fn settings(&self) -> Vec<String> {
        let text = self.written();
        let lines = text.lines().map(str::trim).filter(|line| line.matches(':').count() > 20);
        lines.map(|line| line.rsplit('\u{1b}').next().unwrap_or(line).to_owned()).collect()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // What a failed test leaves behind; after a good end there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

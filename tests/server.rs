//! A sound server that stops in mid-listening and is started again. Needs `pulseaudio` and ALSA's plugin for it;
//! skipped with a plain line where they are not installed.
#![cfg(all(feature = "live", target_os = "linux"))]

#[path = "support/pty.rs"]
mod pty;

use pty::Terminal;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

/// The note that the server gives for ever, Hz.
const NOTE_HZ: f64 = 431.0;

/// A server in a folder of its own, with a steady note as its only input.
struct Server {
    folder: tempfile::TempDir,
    process: Option<Child>,
}

impl Server {
    /// None where there is nothing to make one of.
    fn new() -> Option<Self> {
        let installed = Command::new("pulseaudio").arg("--version").stdout(Stdio::null()).status().is_ok();
        let plugin = ["/usr/lib", "/usr/lib64", "/lib"].iter().any(|root| holds(Path::new(root), 3));
        if !(installed && plugin) {
            let _ = writeln!(io::stderr(), "skipped: pulseaudio and ALSA's plugin for it are not installed");
            return None;
        }
        let folder = tempfile::tempdir().expect("a folder for the server");
        let socket = folder.path().join("socket");
        let script = format!(
            "load-module module-native-protocol-unix auth-anonymous=1 socket={}\n\
             load-module module-sine-source source_name=line frequency={NOTE_HZ} rate=48000\n\
             set-default-source line\n",
            socket.display()
        );
        fs::write(folder.path().join("script"), script).expect("written");
        let alsa = format!("pcm.!default {{ type pulse server \"unix:{}\" }}\n", socket.display());
        fs::write(folder.path().join("asound.conf"), alsa).expect("written");
        let mut server = Self { folder, process: None };
        server.start();
        Some(server)
    }

    fn start(&mut self) {
        let folder = self.folder.path();
        // One that was killed leaves its socket behind, which is no sign of life.
        let _ = fs::remove_file(folder.join("socket"));
        let process = Command::new("pulseaudio")
            .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "-F"])
            .arg(folder.join("script"))
            .env("HOME", folder)
            .env("XDG_RUNTIME_DIR", folder)
            .stderr(Stdio::null())
            .spawn()
            .expect("the server starts");
        self.process = Some(process);
        wait_until("the server to listen", || folder.join("socket").exists());
    }

    fn kill(&mut self) {
        if let Some(mut process) = self.process.take() {
            process.kill().expect("it was running");
            process.wait().expect("it has ended");
        }
    }

    /// Lets a command find this server and no other.
    fn at_home(&self, command: &mut Command) {
        let folder = self.folder.path();
        command
            .env("HOME", folder)
            .env("XDG_RUNTIME_DIR", folder)
            .env("ALSA_CONFIG_PATH", folder.join("asound.conf"));
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A process that does not outlive a failed test.
struct Ends(Child);

impl Drop for Ends {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Whether ALSA's plugin for the server lies somewhere under a folder.
fn holds(folder: &Path, depth: u32) -> bool {
    let Ok(entries) = fs::read_dir(folder) else { return false };
    let paths: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.iter().any(|path| path.ends_with("libasound_module_pcm_pulse.so"))
        || depth > 0 && paths.iter().any(|path| path.is_dir() && holds(path, depth - 1))
}

fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(30), "half a minute for {what}");
        thread::sleep(Duration::from_millis(20));
    }
}

/// Waits until a growing text file holds so many lines with a word in them.
fn wait_for_lines(file: &Path, word: &str, count: usize) {
    wait_until(&format!("{count} × `{word}`"), || {
        fs::read_to_string(file)
            .is_ok_and(|text| text.lines().filter(|line| line.contains(word)).count() >= count)
    });
}

#[test]
fn listening_goes_on_when_the_server_is_back() {
    let Some(mut server) = Server::new() else { return };
    let said = server.folder.path().join("said");
    let kept = server.folder.path().join("kept.wav");
    let mut command = Command::new(env!("CARGO_BIN_EXE_hushbeat"));
    server.at_home(&mut command);
    let listening = command
        .args(["listen", "--plain", "--channel", "1", "--keep"])
        .arg(&kept)
        .stdout(fs::File::create(&said).expect("a file for what is said"))
        .spawn()
        .expect("it starts");
    let mut listening = Ends(listening);
    wait_for_lines(&said, "standing still", 1);
    server.kill();
    // Some servers go with an error, some leave their clients waiting.
    wait_until("the loss to be told", || {
        let text = fs::read_to_string(&said).unwrap_or_default();
        text.contains("no sound arrives") || text.contains("trying to get it back")
    });
    let before = fs::read_to_string(&said).expect("readable").lines().count();
    server.start();
    wait_for_lines(&said, "LOST: 1 gap", 1);
    wait_until("the note to be heard again", || {
        let text = fs::read_to_string(&said).unwrap_or_default();
        text.lines().skip(before + 1).any(|line| line.contains("standing still"))
    });
    let asked = Command::new("kill").arg(listening.0.id().to_string()).status().expect("kill is there");
    assert!(asked.success());
    assert!(listening.0.wait().expect("it ends").success());
    let text = fs::read_to_string(&said).expect("readable");
    assert!(text.contains("which is a gap"), "{text}");
    let notes = fs::read_to_string(server.folder.path().join("kept.wav.notes")).expect("a note of the gap");
    assert!(notes.contains(" lost about "), "{notes}");
    let reader = hound::WavReader::open(&kept).expect("what was kept is readable");
    assert!(reader.duration() > 2 * 48_000, "both parts and the gap are there");
}

#[test]
fn a_rate_that_the_input_can_not_do_is_refused() {
    let Some(server) = Server::new() else { return };
    let mut command = Command::new(env!("CARGO_BIN_EXE_hushbeat"));
    server.at_home(&mut command);
    let out = command.args(["listen", "--rate", "5MHz"]).output().expect("the program runs");
    let text = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(1), "{text}");
    assert!(
        text.starts_with("hushbeat: sound input default can't do 5000000 Hz; hint: it offers 1 to "),
        "{text}"
    );
    assert_eq!(text.lines().count(), 1, "{text}");
}

/// The screen is up when the server dies, and the terminal is what it was when the user has left.
#[test]
fn the_terminal_is_put_back_though_the_server_died() {
    let Some(mut server) = Server::new() else { return };
    let line = format!("{} listen --channel 1", env!("CARGO_BIN_EXE_hushbeat"));
    let Some(mut terminal) = Terminal::run(&line, |command| server.at_home(command)) else { return };
    terminal.wait_for(&["standing still"]);
    server.kill();
    terminal.wait_for(&["no sound arrives", "trying to get it back"]);
    terminal.press("q");
    terminal.ends_well(0);
}

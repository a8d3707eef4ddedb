//! The virtual machine as the tests see it: its links and its tools. Outside of it, tests say that they were skipped.

#![expect(
    clippy::disallowed_methods,
    reason = "tests meet the environment and the clock"
)]

use std::io::{Read as _, Write as _};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

/// What the runner (`tests/live/run.sh`) sets: `virtual` or `controllers`.
const VARIABLE: &str = "TONERING_LIVE";

/// Whether the test runs where there are such links; says so where not.
pub(crate) fn has(links: &str) -> bool {
    let found = std::env::var(VARIABLE).is_ok_and(|value| value == links);
    if !found {
        let _ = writeln!(
            std::io::stderr(),
            "skipped: needs SocketCAN; tests/live/run.sh runs it in a virtual machine"
        );
    }
    found
}

/// Whether there is time for everything: `TONERING_LIVE_ALL` is set.
pub(crate) fn is_thorough() -> bool {
    std::env::var_os("TONERING_LIVE_ALL").is_some()
}

/// A virtual bus of a test's own.
pub(crate) struct VirtualBus(pub(crate) String);

impl VirtualBus {
    /// Adds it and switches it on. The name must be the test's own.
    pub(crate) fn new(name: &str) -> Self {
        run(&format!("ip link add {name} type vcan"));
        run(&format!("ip link set {name} mtu 72 up"));
        Self(name.to_owned())
    }
}

impl Drop for VirtualBus {
    fn drop(&mut self) {
        let _ = shell(&format!("ip link del {}", self.0));
    }
}

/// Runs a line of shell.
pub(crate) fn shell(line: &str) -> Output {
    let mut command = Command::new("sh");
    command.args(["-c", line]).stdin(Stdio::null());
    command.output().expect("there is a shell")
}

/// Runs a line of shell that must succeed; what it prints.
pub(crate) fn run(line: &str) -> String {
    let output = shell(line);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{line}: {errors}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// A program that runs beside the test and ends with it.
pub(crate) struct Beside(pub(crate) Child);

impl Beside {
    /// Starts a line of shell.
    pub(crate) fn shell(line: &str) -> Self {
        let mut command = Command::new("sh");
        command.args(["-c", &format!("exec {line}")]);
        Self::start(&mut command)
    }

    /// Starts a program, its standard output and error readable.
    pub(crate) fn start(command: &mut Command) -> Self {
        command.stdin(Stdio::null());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        Self(command.spawn().expect("the program is there"))
    }

    /// Sends it a signal.
    pub(crate) fn signal(&self, name: &str) {
        run(&format!("kill -{name} {}", self.0.id()));
    }

    /// Waits until it has ended; what it printed. These programs print little, so that no pipe fills up meanwhile.
    pub(crate) fn end(mut self) -> Output {
        let (mut stdout, mut stderr) = (Vec::new(), Vec::new());
        if let Some(pipe) = &mut self.0.stdout {
            pipe.read_to_end(&mut stdout).unwrap();
        }
        if let Some(pipe) = &mut self.0.stderr {
            pipe.read_to_end(&mut stderr).unwrap();
        }
        let status = self.0.wait().unwrap();
        Output {
            status,
            stdout,
            stderr,
        }
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Asks again until it is so, for half a minute: a busy host makes a slow guest.
pub(crate) fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(30), "never: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

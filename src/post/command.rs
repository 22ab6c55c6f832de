//! A program that takes a message on its standard input.

use std::io::Write as _;
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

/// How often it is looked whether it has ended.
const LOOK: Duration = Duration::from_millis(20);

/// Runs it without a shell; what it says on its standard error goes to ours. It is killed after `within`.
pub(super) fn run(run: &[String], within: Duration, input: Vec<u8>) -> Result<(), String> {
    let [program, arguments @ ..] = run else { return Err("there is no program to run".to_owned()) };
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .map_err(|error| format!("{program} cannot be started: {error}"))?;
    if let Some(mut stdin) = child.stdin.take() {
        // On a thread of its own: a program that does not read must not hold us up. Once it is dead, writing ends.
        thread::spawn(move || stdin.write_all(&input));
    }
    let started = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("{program} failed: {status}")),
            Ok(None) if started.elapsed() >= within => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("{program} had not ended after {} s and was killed", within.as_secs()));
            }
            Ok(None) => thread::sleep(LOOK),
            Err(error) => return Err(format!("{program} cannot be waited for: {error}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(words: &[&str]) -> Vec<String> {
        words.iter().map(|&word| word.to_owned()).collect()
    }

    #[test]
    fn it_gets_the_message_and_its_end_counts() {
        let scratch = std::env::temp_dir().join(format!("lampwarden-command-{}", std::process::id()));
        let path = scratch.display().to_string();
        let second = Duration::from_secs(5);
        assert_eq!(run(&words(&["tee", &path]), second, b"{\"a\": \"$(reboot)\"}".to_vec()), Ok(()));
        assert_eq!(std::fs::read(&scratch).expect("written"), b"{\"a\": \"$(reboot)\"}");
        let _ = std::fs::remove_file(scratch);
        assert!(run(&words(&["false"]), second, Vec::new()).is_err());
        assert!(run(&words(&["/nowhere/at/all"]), second, Vec::new()).is_err());
        assert!(run(&[], second, Vec::new()).is_err());
    }

    #[test]
    fn one_that_hangs_and_does_not_read_is_killed() {
        let started = Instant::now();
        let hangs = run(&words(&["sleep", "60"]), Duration::from_millis(200), vec![b'x'; 1 << 20]);
        assert!(hangs.is_err_and(|why| why.contains("killed")));
        assert!(started.elapsed() < Duration::from_secs(20));
    }
}

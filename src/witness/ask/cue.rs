//! What is heard of a question: a bell, or a text spoken by a command of the user's own.

use std::io;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use throwproof_protocol::address::Position;

/// Between two strokes of the bell; terminals make one of those that come at once.
pub(super) const BETWEEN_STROKES: Duration = Duration::from_millis(220);

/// What is heard.
#[derive(Debug, Default)]
pub struct Cue {
    bell: bool,
    speaker: Option<Speaker>,
}

/// A command that speaks.
#[derive(Debug)]
struct Speaker {
    words: Vec<String>,
    speaking: Option<Child>,
    /// The operator was told once that it fails.
    is_told: bool,
}

/// How urgent a spoken text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Urgency {
    /// Better never than late.
    Now,
    /// What was being said before is over.
    Next,
}

impl Cue {
    /// A bell if `bell`, and `command` with the text as its last argument if there is one. Words
    /// of the command are parted by spaces; no shell reads them.
    pub fn new(bell: bool, command: Option<&str>) -> Self {
        let words = command.map(|command| command.split_whitespace().map(str::to_owned).collect());
        let words = words.filter(|words: &Vec<String>| !words.is_empty());
        let speaker = words.map(|words| Speaker {
            words,
            speaking: None,
            is_told: false,
        });
        Self { bell, speaker }
    }

    /// How often the bell is struck when a question opens.
    pub(super) fn strokes(&self) -> u32 {
        u32::from(self.bell)
    }

    /// How often while a turnout is thrown by itself: once for straight, twice for diverging, and
    /// for aspects by their order.
    pub(super) fn strokes_at(&self, commanded: &str, aspect: Option<usize>) -> u32 {
        let number = match (commanded.parse(), aspect) {
            (Ok(Position::Straight), None) => 1,
            (Ok(Position::Diverging), None) => 2,
            (_, aspect) => u32::try_from(aspect.unwrap_or(0) + 1).unwrap_or(1),
        };
        if self.bell { number } else { 0 }
    }

    /// Speaks a text. What to tell the operator, once, if that fails.
    pub(super) fn say(&mut self, text: &str, urgency: Urgency) -> Option<String> {
        let speaker = self.speaker.as_mut()?;
        let trouble = speaker.say(text, urgency)?;
        if std::mem::replace(&mut speaker.is_told, true) {
            return None;
        }
        let command = speaker.words.join(" ");
        Some(format!(
            "`{command}` does not speak: {trouble}. The run goes on; nothing more is said of it."
        ))
    }
}

impl Speaker {
    fn say(&mut self, text: &str, urgency: Urgency) -> Option<String> {
        let mut trouble = None;
        if let Some(mut child) = self.speaking.take() {
            match child.try_wait() {
                Ok(None) if urgency == Urgency::Now => {
                    self.speaking = Some(child);
                    return None;
                }
                Ok(None) => silence(child),
                Ok(Some(status)) if status.success() => {}
                Ok(Some(status)) => trouble = Some(format!("it ended with {status}")),
                Err(error) => trouble = Some(error.to_string()),
            }
        }
        match self.start(text) {
            Ok(child) => self.speaking = Some(child),
            Err(error) => trouble = Some(error.to_string()),
        }
        trouble
    }

    fn start(&self, text: &str) -> io::Result<Child> {
        let Some((program, words)) = self.words.split_first() else {
            return Err(io::ErrorKind::NotFound.into());
        };
        let mut command = Command::new(program);
        command.args(words).arg(text);
        command.stdin(Stdio::null());
        command.stdout(Stdio::null());
        command.stderr(Stdio::null());
        // Ctrl-C at the terminal is not for it.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        command.spawn()
    }
}

/// The question that it speaks of is over.
fn silence(mut child: Child) {
    if let Err(error) = child.kill().and_then(|()| child.wait()) {
        tracing::debug!(%error, "the spoken cue can't be ended");
    }
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;

    /// A command that does so. It is not the script itself: a file just written can't be executed
    /// while a process that another test has begun in between holds it open.
    fn speaker(folder: &Path, script: &str) -> String {
        let path = folder.join("speak");
        fs::write(&path, format!("{script}\n")).unwrap();
        format!("sh {}", path.to_str().unwrap())
    }

    fn wait(cue: &mut Cue) {
        let speaker = cue.speaker.as_mut().unwrap();
        speaker.speaking.as_mut().unwrap().wait().unwrap();
    }

    #[test]
    fn the_text_is_the_last_argument_and_no_shell_reads_it() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        let script = format!("printf '%s\\n' \"$@\" > {}", out.display());
        let command = format!("{} -a  b", speaker(folder.path(), &script));
        let mut cue = Cue::new(false, Some(&command));
        assert_eq!(cue.say("Q1; $(touch x) \"diverging\"", Urgency::Next), None);
        wait(&mut cue);
        assert_eq!(
            fs::read_to_string(out).unwrap(),
            "-a\nb\nQ1; $(touch x) \"diverging\"\n"
        );
    }

    #[test]
    fn what_fails_is_told_once() {
        let mut cue = Cue::new(false, Some("no-such-command-here -v"));
        let told = cue.say("Q1", Urgency::Next).unwrap();
        assert!(
            told.starts_with("`no-such-command-here -v` does not speak: "),
            "{told}"
        );
        assert_eq!(cue.say("Q2", Urgency::Next), None);

        let folder = tempfile::tempdir().unwrap();
        let mut cue = Cue::new(false, Some(&speaker(folder.path(), "exit 3")));
        assert_eq!(cue.say("Q1", Urgency::Next), None);
        wait(&mut cue);
        let told = cue.say("Q2", Urgency::Next).unwrap();
        assert!(told.contains("exit status: 3"), "{told}");
    }

    #[test]
    fn a_position_is_not_spoken_late_and_a_question_ends_what_was_said() {
        let folder = tempfile::tempdir().unwrap();
        let mut cue = Cue::new(false, Some(&speaker(folder.path(), "exec sleep 60")));
        let id = |cue: &Cue| {
            cue.speaker
                .as_ref()
                .unwrap()
                .speaking
                .as_ref()
                .unwrap()
                .id()
        };
        cue.say("straight", Urgency::Now);
        let first = id(&cue);
        cue.say("diverging", Urgency::Now);
        assert_eq!(id(&cue), first, "the first is still being said");
        cue.say("Q2", Urgency::Next);
        assert_ne!(id(&cue), first);
        silence(cue.speaker.take().unwrap().speaking.take().unwrap());
    }

    #[test]
    fn the_bell_tells_positions_apart() {
        let cue = Cue::new(true, None);
        assert_eq!(cue.strokes(), 1);
        assert_eq!(cue.strokes_at("straight", None), 1);
        assert_eq!(cue.strokes_at("diverging", None), 2);
        assert_eq!(cue.strokes_at("caution", Some(2)), 3);
        assert_eq!(Cue::default().strokes_at("diverging", None), 0);
    }
}

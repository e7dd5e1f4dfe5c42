//! The explanation of a profile, as a person and as a program reads it.

use anstyle::Style;
use serde::Serialize;

use crate::profile::{Explanation, MessageShown, ReplyShown, Shown};

/// Columns the text is wrapped to.
const WIDTH: usize = 96;

/// Columns that the bytes of a part may take before the rest of its line moves on.
const BYTES: usize = 24;

/// The explanation as a person reads it. `styled` has ANSI codes, which `anstream` takes out
/// where they don't belong.
pub fn text(explanation: &Explanation, styled: bool) -> String {
    let bold = if styled {
        Style::new().bold()
    } else {
        Style::new()
    };
    let mut text = format!("{bold}{}{bold:#}\n", explanation.name);
    if !explanation.notes.is_empty() {
        wrapped(&mut text, "", &explanation.notes);
    }
    text.push('\n');
    wrapped(&mut text, "port     ", &explanation.serial);
    let numbering = format!("{} numbering", explanation.numbering);
    wrapped(&mut text, "numbers  ", &numbering);
    wrapped(&mut text, "frame    ", &explanation.framing);
    let lists = [
        ("It can", &explanation.can),
        ("It can't", &explanation.cannot),
        ("Times", &explanation.timing),
    ];
    for (title, lines) in lists {
        if !lines.is_empty() {
            text.push_str(&format_title(title, bold));
        }
        for line in lines {
            wrapped(&mut text, "  - ", line);
        }
    }
    text.push_str(&format_title("What is sent", bold));
    for message in &explanation.messages {
        sent(&mut text, message, bold);
    }
    text.push_str(&format_title("What is understood", bold));
    if explanation.replies.is_empty() {
        text.push_str("  nothing: the profile has no [[reply]]\n");
    }
    for reply in &explanation.replies {
        understood(&mut text, reply, bold);
    }
    text
}

/// The explanation as a program reads it: one JSON object a line, first the profile, then every
/// message and every reply.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json(explanation: &Explanation) -> Result<String, serde_json::Error> {
    let mut text = String::new();
    let profile = std::iter::once(Line::Profile(explanation));
    let messages = explanation.messages.iter().map(Line::Message);
    let replies = explanation.replies.iter().map(Line::Reply);
    for line in profile.chain(messages).chain(replies) {
        text.push_str(&serde_json::to_string(&line)?);
        text.push('\n');
    }
    Ok(text)
}

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Line<'a> {
    Profile(&'a Explanation),
    Message(&'a MessageShown),
    Reply(&'a ReplyShown),
}

fn format_title(title: &str, bold: Style) -> String {
    format!("\n{bold}{title}{bold:#}\n")
}

fn sent(text: &mut String, message: &MessageShown, bold: Style) {
    let answered = if message.answered { "; answered" } else { "" };
    let head = format!(
        "  {bold}{}{bold:#}: {}{answered}\n",
        message.message, message.does
    );
    text.push_str(&head);
    wrapped(text, "    ", &message.template);
    example(text, message.example.as_ref());
}

fn understood(text: &mut String, reply: &ReplyShown, bold: Style) {
    let means = if reply.reply == reply.means {
        String::new()
    } else {
        format!(" means {}", reply.means)
    };
    let head = format!("  {bold}{}{bold:#}{means}: {}\n", reply.reply, reply.tells);
    text.push_str(&head);
    wrapped(text, "    ", &reply.pattern);
    example(text, reply.example.as_ref());
}

fn example(text: &mut String, shown: Option<&Shown>) {
    let Some(shown) = shown else {
        return;
    };
    if !shown.of.is_empty() {
        wrapped(text, "    for example ", &shown.of);
    }
    for part in &shown.parts {
        for (index, bytes) in lines_of_bytes(&part.bytes).into_iter().enumerate() {
            let line = if index == 0 {
                let readable = part.text.as_ref().map(|text| format!("{text:?}"));
                let readable = readable.unwrap_or_default();
                let (offset, from) = (part.offset, &part.from);
                let gap = if readable.is_empty() { "" } else { "  " };
                format!("      {offset:3}  {bytes:BYTES$} {readable}{gap}{from}")
            } else {
                format!("           {bytes}")
            };
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }
}

/// Bytes in hexadecimal, eight a line.
fn lines_of_bytes(bytes: &str) -> Vec<&str> {
    let mut lines = Vec::new();
    let mut rest = bytes;
    while rest.len() > BYTES {
        let (line, more) = rest.split_at(BYTES);
        lines.push(line.trim_end());
        rest = more;
    }
    lines.push(rest);
    lines
}

/// Adds lines of words, the first after `head`, the others as far in.
fn wrapped(text: &mut String, head: &str, words: &str) {
    let mut column = head.chars().count();
    let indent = " ".repeat(column);
    text.push_str(head);
    let mut first = true;
    for word in words.split(' ') {
        let length = word.chars().count();
        if !first && column + 1 + length > WIDTH {
            text.push('\n');
            text.push_str(&indent);
            column = indent.len();
        } else if !first {
            text.push(' ');
            column += 1;
        }
        text.push_str(word);
        column += length;
        first = false;
    }
    text.push('\n');
}

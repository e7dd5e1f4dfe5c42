//! Problems of a file, shown with the lines they are on.

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use crate::textfile::{FileError, Span, TextFile};
use crate::toml_reader::{Problem, Problems};

/// How many problems are shown; of the rest only the number is.
const SHOWN: usize = 20;

/// Columns the lines of a file are cut to.
const WIDTH: usize = 100;

/// The problems as a person reads them; `styled` has ANSI colours, which `anstream` takes out
/// where they don't belong.
pub fn render(problems: &Problems, styled: bool) -> String {
    let renderer = if styled {
        Renderer::styled()
    } else {
        Renderer::plain()
    };
    let renderer = renderer.decor_style(DecorStyle::Ascii).term_width(WIDTH);
    let mut text = String::new();
    for problem in problems.list.iter().take(SHOWN) {
        text.push_str(&renderer.render(&[group(&problems.file, problem)]));
        text.push_str("\n\n");
    }
    let count = match problems.list.len() + problems.more {
        1 => "1 problem".to_owned(),
        count => format!("{count} problems"),
    };
    text.push_str(&count);
    text.push_str(" in ");
    text.push_str(&problems.file.path().display().to_string());
    if problems.list.len() > SHOWN {
        text.push_str(", of which the first ");
        text.push_str(&SHOWN.to_string());
        text.push_str(" are shown");
    }
    text.push('\n');
    text
}

/// A file that could not be read at all, in the same form.
pub fn render_file_error(error: &FileError, styled: bool) -> String {
    let renderer = if styled {
        Renderer::styled()
    } else {
        Renderer::plain()
    };
    let title = Level::ERROR.no_name().primary_title(error.to_string());
    let mend = error.mend();
    let group = title.element(Level::HELP.message(mend));
    let mut text = renderer.decor_style(DecorStyle::Ascii).render(&[group]);
    text.push('\n');
    text
}

fn group<'a>(file: &'a TextFile, problem: &'a Problem) -> Group<'a> {
    let place = file.position(problem.at.start);
    let title = format!(
        "{}:{}:{}: {}",
        file.path().display(),
        place.line,
        place.column,
        problem.fault
    );
    let group = Level::ERROR.no_name().primary_title(title);
    let mut group = group.element(line(file, problem.at, AnnotationKind::Primary, ""));
    for other in &problem.others {
        group = group.element(line(file, other.at, AnnotationKind::Context, &other.label));
    }
    group.element(Level::HELP.message(problem.fault.mend()))
}

/// One line of the file with a mark below it. Only that line is given to the renderer: it
/// would walk the whole file for each.
fn line<'a>(
    file: &'a TextFile,
    at: Span,
    kind: AnnotationKind,
    label: &'a str,
) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
    let (start, text) = file.line_around(at.start);
    let from = (at.start - start).min(text.len());
    let to = (at.end - start).clamp(from, text.len());
    let mark = kind.span(from..to);
    let mark = if label.is_empty() {
        mark
    } else {
        mark.label(label)
    };
    Snippet::source(text)
        .line_start(file.line(at.start).try_into().unwrap_or(usize::MAX))
        .annotation(mark)
}

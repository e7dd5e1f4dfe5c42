//! Templates of a profile, from its text.

use std::ops::Range;

use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Fault, Located, Problem, Table, nearest};

use super::Positions;
use super::formula::{Formula, Name};
use super::framing::Framing;
use super::scan::{Field, Slip};
use super::template::Template;
use super::value::{Place, Scope, Value};

mod binary;
mod formats;
mod text;

pub(super) use formats::number_format;

/// What templates are read with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Compiler<'a> {
    pub(super) file: &'a TextFile,
    pub(super) framing: &'a Framing,
    pub(super) positions: Option<&'a Positions>,
}

/// A template's text, where it is, and what it is for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source<'a, 'd> {
    pub(super) table: &'a Table<'d>,
    pub(super) text: Located<&'d str>,
    /// What messages call it: `` `throw` ``.
    pub(super) called: &'a str,
    pub(super) scope: Scope,
}

/// Something wrong within a text of the file.
pub(super) fn meaning(
    code: &'static str,
    what: impl Into<String>,
    mend: impl Into<String>,
    at: Span,
) -> Problem {
    let (what, mend) = (what.into(), mend.into());
    Problem::new(Fault::Meaning { code, what, mend }, at)
}

/// The same, to be handed on.
fn wrong(
    code: &'static str,
    what: impl Into<String>,
    mend: impl Into<String>,
    at: Span,
) -> Box<Problem> {
    Box::new(meaning(code, what, mend, at))
}

/// Where a range of a text stands in the file; the whole text where it is written with escapes.
pub(super) fn within(file: &TextFile, text: Located<&str>, range: Range<usize>) -> Span {
    let raw = file.text().get(text.span.start..text.span.end);
    let raw = raw.unwrap_or_default();
    let inside = raw.trim_start_matches(['"', '\'']);
    let skipped = raw.len() - inside.len();
    if inside.starts_with(text.value) {
        let start = text.span.start + skipped;
        let end = start + range.end.max(range.start + 1);
        Span {
            start: start + range.start,
            end: end.min(text.span.end),
        }
    } else {
        text.span
    }
}

impl Compiler<'_> {
    /// The template; what is wrong with it is reported.
    pub(super) fn template(&self, source: Source<'_, '_>) -> Option<Template> {
        let made = match self.framing {
            Framing::Text(framing) => self.text_template(source, framing),
            Framing::Binary(_) => self.binary_template(source),
        };
        match made {
            Ok(template) => Some(template),
            Err(problem) => {
                source.table.report(*problem);
                None
            }
        }
    }

    fn slip(&self, source: Source<'_, '_>, slip: &Slip) -> Box<Problem> {
        let at = within(self.file, source.text, slip.at.clone());
        wrong("template", &*slip.what, slip.mend, at)
    }

    /// What a field wants, its names looked up.
    fn place(&self, source: Source<'_, '_>, field: &Field<'_>) -> Result<Placed, Box<Problem>> {
        let formula = self.formula(source.text, field.inner, field.at)?;
        let alone = formula.alone().cloned();
        let resolved = formula.resolve(|name| {
            let at = field.at + name.at;
            let at = within(self.file, source.text, at..at + name.text.len());
            match place(&name, source, at)? {
                Place::Number(value) => Ok(value),
                Place::Packet { body } => Err(Odd::Packet { body, at }),
                Place::Reason => Err(Odd::Reason(at)),
            }
        });
        match (resolved, alone) {
            (Ok(formula), _) => Ok(Placed::Number(formula)),
            (Err(Odd::Packet { body, .. }), Some(_)) => Ok(Placed::Packet { body }),
            (Err(Odd::Reason(_)), Some(_)) => Ok(Placed::Reason),
            (Err(Odd::Packet { at, .. } | Odd::Reason(at)), None) => Err(wrong(
                "place-not-here",
                "this is no number and can't be calculated with",
                "let it stand alone in its braces",
                at,
            )),
            (Err(Odd::Problem(problem)), _) => Err(problem),
        }
    }

    /// An expression that stands in a text of the file, `at` bytes from its start.
    pub(super) fn formula(
        &self,
        text: Located<&str>,
        inner: &str,
        at: usize,
    ) -> Result<Formula<Name>, Box<Problem>> {
        Formula::parse(inner).map_err(|broken| {
            let start = at + broken.at.min(inner.len());
            let shown = inner.get(broken.at..).unwrap_or_default();
            let what = if inner.trim().is_empty() {
                "nothing stands here; it wants a value".to_owned()
            } else if shown.trim().is_empty() {
                format!("`{inner}` ends too early")
            } else {
                format!("`{inner}` makes no sense from `{shown}` on")
            };
            let end = start + shown.len();
            wrong(
                "expression",
                what,
                "an expression is values, whole numbers (10, 0x0A, 0b1010), ( ), and \
                 - ~ * / % + << >> & ^ | == != < <= > >=",
                within(self.file, text, start..end),
            )
        })
    }

    fn bad_format(&self, source: Source<'_, '_>, field: &Field<'_>, mend: &str) -> Box<Problem> {
        let start = field.range.end - 1 - field.format.len();
        let at = within(self.file, source.text, start..field.range.end - 1);
        let what = if field.format.is_empty() {
            format!("{{{}}} wants a format", field.inner)
        } else {
            format!("`{}` is no format for `{}`", field.format, field.inner)
        };
        wrong("place-format", what, mend, at)
    }
}

/// What a field of a template wants.
enum Placed {
    Number(Formula<Value>),
    Packet { body: bool },
    Reason,
}

/// A name in an expression that is no number.
enum Odd {
    Packet { body: bool, at: Span },
    Reason(Span),
    Problem(Box<Problem>),
}

impl From<Box<Problem>> for Odd {
    fn from(problem: Box<Problem>) -> Self {
        Self::Problem(problem)
    }
}

/// What a name stands for, if the message can have it.
fn place(name: &Name, source: Source<'_, '_>, at: Span) -> Result<Place, Box<Problem>> {
    let can = source.scope.names();
    let listed = if can.is_empty() {
        "it has no places".to_owned()
    } else {
        format!("it can have {}", can.join(", "))
    };
    let Some(place) = Place::named(&name.text) else {
        let known = Place::NAMES.iter().map(|(known, _)| *known);
        let near = nearest(&name.text, can.iter().copied());
        let mend = match near.or_else(|| nearest(&name.text, known)) {
            Some(near) => format!("did you mean `{near}`? For {}, {listed}", source.called),
            None => format!("for {}, {listed}", source.called),
        };
        let what = format!("nothing is known by the name `{}`", name.text);
        return Err(wrong("unknown-place", what, mend, at));
    };
    if source.scope.has(place) {
        return Ok(place);
    }
    let what = format!("{} has no `{}`", source.called, place.name());
    Err(wrong("place-not-here", what, listed, at))
}

fn no_positions(at: Span) -> Box<Problem> {
    wrong(
        "no-positions",
        "the profile does not say how this protocol writes a position",
        "add [positions] with straight = … and diverging = …",
        at,
    )
}

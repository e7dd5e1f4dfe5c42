//! `[[reply]]`: what the station says.

use crate::textfile::Span;
use crate::toml_reader::{Located, Problem, Table, nearest};

use crate::profile::compile::{Compiler, Source, meaning, within};
use crate::profile::formula::Formula;
use crate::profile::framing::Framing;
use crate::profile::reply::{Answers, Lies, Matcher, Means, Numbers, Pattern, Reason};
use crate::profile::{Positions, read};

mod pattern;

use pattern::{layout, regular_expression};

/// The names a pattern captures, by the number of their group or field.
struct Names<'a> {
    list: Vec<(String, usize)>,
    compiler: &'a Compiler<'a>,
}

/// One reply; what is wrong with it is reported.
pub(super) fn reply(compiler: &Compiler<'_>, table: Table<'_>) -> Option<Pattern> {
    let pattern = pattern(compiler, &table);
    table.finish();
    pattern
}

fn pattern(compiler: &Compiler<'_>, table: &Table<'_>) -> Option<Pattern> {
    let means = table.choice::<Means>("means").required();
    let text = table.string("match").required();
    let name = table.string("name").optional();
    let matcher = text.and_then(|text| match compiler.framing {
        Framing::Text(_) => regular_expression(compiler, table, text),
        Framing::Binary(framing) => {
            let open = framing.end.is_some() || framing.length.is_some();
            layout(compiler, table, text, open)
        }
    });
    let (matcher, list) = matcher.unzip();
    let names = Names {
        list: list.unwrap_or_default(),
        compiler,
    };
    let means_value = means.map(|means| means.value);
    let address = address(table, &names);
    let cv = expression(table, &names, "cv", "cv");
    let value = expression(table, &names, "value", "value");
    let position = position(table, &names);
    let reason = reason(table, &names, matcher.as_ref());
    let answers = table.choice::<Answers>("answers").optional();
    let has_address = address.is_some();
    let emit = means_value.and_then(|means| {
        let text = table.string("emit").optional()?;
        compiler.template(Source {
            table,
            text,
            called: "`emit`",
            scope: Pattern::scope(means, has_address),
        })
    });
    let (means, text, matcher) = (means_value?, text?, matcher?);
    let wants = Wants {
        address: has_address || table.has("keyed_address") || table.has("binary_address"),
        position: position.is_some() || table.has("position"),
        value: value.is_some() || table.has("value"),
    };
    wants.check(table, &names, means, text);
    let answers = match answers {
        None => usual_answers(means, has_address),
        Some(Located { value, span }) => {
            if value == Answers::Address && !has_address {
                let what = "it has no address to tell which command it answers";
                let mend = "capture `keyed` or `binary`, or write answers = \"order\"";
                table.report(meaning("answers", what, mend, span));
            }
            value
        }
    };
    Some(Pattern {
        name: name.map_or(means_name(means), |name| name.value).into(),
        means,
        answers,
        text: text.value.to_owned(),
        matcher,
        address,
        position,
        cv,
        value,
        reason,
        emit,
        span: text.span,
    })
}

fn means_name(means: Means) -> &'static str {
    use crate::toml_reader::Choice;
    means.name()
}

fn usual_answers(means: Means, has_address: bool) -> Answers {
    match means {
        Means::Done | Means::Refused | Means::Busy | Means::CvValue if has_address => {
            Answers::Address
        }
        Means::Done | Means::Refused | Means::Busy | Means::CvValue => Answers::Order,
        Means::Position | Means::Fault | Means::PowerOn | Means::PowerOff | Means::Ignore => {
            Answers::Nothing
        }
    }
}

/// What a reply has, or tries to have.
struct Wants {
    address: bool,
    position: bool,
    value: bool,
}

impl Wants {
    /// Reports what a reply of that meaning must have and this one has not.
    fn check(&self, table: &Table<'_>, names: &Names<'_>, means: Means, text: Located<&str>) {
        let captured: Vec<_> = names.list.iter().map(|(name, _)| name.as_str()).collect();
        let captured = if captured.is_empty() {
            "it captures nothing".to_owned()
        } else {
            format!("it captures {}", captured.join(", "))
        };
        let lacks = |what: &str, mend: &str| {
            let what = format!("a reply that means \"{}\" {what}", means_name(means));
            let mend = format!("{mend}; {captured}");
            table.report(meaning("reply-lacks", what, mend, text.span));
        };
        if means == Means::Position && !self.address {
            lacks(
                "must say for which address",
                "capture it as `keyed` or `binary`, or give keyed_address or binary_address",
            );
        }
        if means == Means::Position && !self.position {
            lacks(
                "must say how the turnout lies",
                "capture it as `position`, or give position",
            );
        }
        if means == Means::CvValue && !self.value {
            lacks(
                "must have the value",
                "capture it as `value`, or give value",
            );
        }
    }
}

/// An expression over what the pattern captures: that of `key`, or the capture called `usual`.
fn expression(
    table: &Table<'_>,
    names: &Names<'_>,
    key: &'static str,
    usual: &str,
) -> Option<Formula<usize>> {
    let Some(text) = table.string(key).optional() else {
        let captured = names.list.iter().find(|(name, _)| name == usual);
        return captured.map(|(_, group)| Formula::of(*group));
    };
    let resolved = names
        .compiler
        .formula(text, text.value, 0)
        .and_then(|formula| {
            formula.resolve(|name| {
                let known = names.list.iter().find(|(known, _)| *known == name.text);
                known.map(|(_, group)| *group).ok_or_else(|| {
                    let at = name.at..name.at + name.text.len();
                    let at = within(names.compiler.file, text, at);
                    Box::new(unknown_capture(&names.list, &name.text, at))
                })
            })
        });
    resolved.map_err(|problem| table.report(*problem)).ok()
}

fn unknown_capture(names: &[(String, usize)], name: &str, at: Span) -> Problem {
    let known: Vec<_> = names.iter().map(|(name, _)| name.as_str()).collect();
    let mend = match nearest(name, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => "capture it: (?<name>…) in a text, {name} in bytes".to_owned(),
        None => format!("it captures {}", known.join(", ")),
    };
    let what = format!("`match` captures nothing called `{name}`");
    meaning("unknown-capture", what, mend, at)
}

fn address(table: &Table<'_>, names: &Names<'_>) -> Option<(Numbers, Formula<usize>)> {
    let keyed = expression(table, names, "keyed_address", "keyed");
    let binary = expression(table, names, "binary_address", "binary");
    if keyed.is_some() && binary.is_some() {
        let what = "the address is there twice, keyed and binary";
        let mend = "keep one of them; give the other capture another name";
        table.report(meaning("reply-lacks", what, mend, table.span()));
    }
    let keyed = keyed.map(|formula| (Numbers::Keyed, formula));
    keyed.or(binary.map(|formula| (Numbers::Binary, formula)))
}

fn position(table: &Table<'_>, names: &Names<'_>) -> Option<Lies> {
    let formula = expression(table, names, "position", "position");
    let own = table.has("straight") || table.has("diverging");
    match names.compiler.framing {
        Framing::Text(_) => {
            let words = own.then(|| {
                let straight = table.string("straight").required()?;
                let diverging = table.string("diverging").required()?;
                read::words(table, straight, diverging)
            });
            let formula = formula?;
            let words = match (words, names.compiler.positions) {
                (Some(None), _) => return None,
                (Some(Some(Positions::Words(words))), _) => words,
                (_, Some(Positions::Words(words))) => words.clone(),
                _ => {
                    table.report(meaning(
                        "no-positions",
                        "the profile does not say how this reply writes a position",
                        "add straight = … and diverging = … here or in [positions]",
                        table.span(),
                    ));
                    return None;
                }
            };
            let Some(group) = formula.alone() else {
                table.report(meaning(
                    "expression",
                    "a position in a text is a word, which can't be calculated with",
                    "name the group alone",
                    table.key_span("position"),
                ));
                return None;
            };
            Some(Lies::Word(*group, words))
        }
        Framing::Binary(_) => {
            let numbers = own.then(|| {
                let straight = table.integer("straight", 0..=u32::MAX).required()?;
                let diverging = table.integer("diverging", 0..=u32::MAX).required()?;
                read::numbers(table, straight, diverging)
            });
            let formula = formula?;
            let numbers = match (numbers, names.compiler.positions) {
                (Some(None), _) => return None,
                (Some(Some(Positions::Numbers(numbers))), _) => numbers,
                (_, Some(Positions::Numbers(numbers))) => *numbers,
                // The sense of bit R.
                _ => [0, 1],
            };
            Some(Lies::Number(formula, numbers))
        }
    }
}

fn reason(table: &Table<'_>, names: &Names<'_>, matcher: Option<&Matcher>) -> Option<Reason> {
    if let Some(words) = table.string("reason").optional() {
        return Some(Reason::Words(words.value.to_owned()));
    }
    if !matches!(matcher, Some(Matcher::Text(..))) {
        return None;
    }
    let group = names.list.iter().find(|(name, _)| name == "reason");
    group.map(|(_, group)| Reason::Group(*group))
}

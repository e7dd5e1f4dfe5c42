//! The report as Markdown, for notes and repositories.

use std::fmt::Write as _;

use super::model::{Report, Thing};
use super::words;
use crate::cautions::DEFER;

pub(super) fn text(report: &Report) -> String {
    let mut out = String::new();
    // A `String` takes anything.
    let _infallible = head(&mut out, report)
        .and_then(|()| failures(&mut out, report))
        .and_then(|()| diagnoses(&mut out, report))
        .and_then(|()| places(&mut out, report))
        .and_then(|()| charts(&mut out, report))
        .and_then(|()| taught(&mut out, report))
        .and_then(|()| runs(&mut out, report))
        .and_then(|()| cautions(&mut out, report));
    out
}

/// Text as text: nothing in it is taken for a mark, a link, a row or a tag.
fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '{' | '}' | '[' | ']' | '(' | ')' | '#' | '+' | '-' | '.'
            | '!' | '|' | '~' | ':' | '@' => {
                out.push('\\');
                out.push(letter);
            }
            control if control.is_control() => out.push(' '),
            other => out.push(other),
        }
    }
    out
}

fn head(out: &mut String, report: &Report) -> std::fmt::Result {
    writeln!(out, "# {}\n", plain(&report.layout))?;
    if report.is_rehearsal() {
        writeln!(out, "**This is a {}.**\n", words::REHEARSAL)?;
    }
    writeln!(out, "**{}**", words::counts(&report.counts))?;
    if let Some(acceptance) = words::acceptance(report) {
        writeln!(out, "\n{acceptance}")?;
    }
    if !report.changes.is_empty() {
        writeln!(out, "\n## Changes since the run before\n")?;
        for change in &report.changes {
            writeln!(out, "- {}: {}", plain(&change.id), words::change(change))?;
        }
    }
    Ok(())
}

fn failures(out: &mut String, report: &Report) -> std::fmt::Result {
    let failures = report.failures();
    if failures.is_empty() {
        return Ok(());
    }
    writeln!(out, "\n## What fails\n")?;
    for pattern in &report.patterns {
        writeln!(out, "- {}", plain(&pattern.text))?;
    }
    for (place, thing) in failures {
        let (id, place) = (plain(&thing.id), plain(words::place(place)));
        writeln!(out, "\n### {id}, {place}: {}\n", words::state(thing))?;
        if thing.verdict.is_some() {
            writeln!(out, "{}.\n", words::meaning(thing))?;
        }
        let about_drives = words::about_drives(thing);
        if !about_drives.is_empty() {
            writeln!(out, "{}.\n", plain(about_drives))?;
        }
        for throw in &thing.throws {
            let (sent, seen) = (plain(&throw.commanded), plain(&throw.words));
            writeln!(out, "- sent {sent}, seen: {seen}")?;
        }
        writeln!(out, "\nTry, the likeliest first:\n")?;
        // Of advice and cautions nothing needs escaping: they are the program's own words. What a
        // diagnosis names is what the record has.
        for (number, advice) in (1..).zip(&thing.advice) {
            let words = words::advice(advice);
            let is_own = advice.percent.is_none();
            let words = if is_own { words } else { plain(&words) };
            writeln!(out, "{number}. {words}")?;
        }
    }
    Ok(())
}

fn diagnoses(out: &mut String, report: &Report) -> std::fmt::Result {
    let diagnosed = report.diagnosed();
    if !diagnosed.is_empty() {
        writeln!(out, "\n## Diagnoses")?;
    }
    for (thing, line) in diagnosed {
        let (id, told) = (plain(&thing.id), plain(&words::diagnosis(line)));
        writeln!(out, "\n### {id}\n\n{told}\n")?;
        for (word, text) in words::points(line) {
            writeln!(out, "- {word}: {}", plain(&text))?;
        }
        let fate = words::fate(line);
        if !fate.is_empty() {
            writeln!(out, "- {}", plain(&fate))?;
        }
    }
    Ok(())
}

fn taught(out: &mut String, report: &Report) -> std::fmt::Result {
    if !report.taught.is_empty() {
        writeln!(out, "\n## Decoders that were given their address\n")?;
    }
    for taught in &report.taught {
        writeln!(out, "- {}", plain(&taught.text))?;
    }
    Ok(())
}

fn places(out: &mut String, report: &Report) -> std::fmt::Result {
    writeln!(out, "\n## By place\n")?;
    writeln!(
        out,
        "| place | id | address (binary) | output | drive | supply | verdict | since | looks | \
         notes |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    )?;
    for place in &report.places {
        for thing in &place.things {
            row(out, &place.name, thing)?;
        }
    }
    Ok(())
}

fn row(out: &mut String, place: &str, thing: &Thing) -> std::fmt::Result {
    let (done, open) = words::looks(thing);
    let mut looks: Vec<_> = done.iter().map(|look| format!("{look} ✓")).collect();
    looks.extend(open.iter().map(|look| format!("{look} …")));
    let notes = thing.notes.iter().map(|note| {
        let photo = (!note.photo.is_empty()).then(|| format!("photo {}", note.photo));
        let text = (!note.text.is_empty()).then(|| note.text.clone());
        text.into_iter().chain(photo).collect::<Vec<_>>().join(", ")
    });
    let since = thing.since.as_ref().map_or("", |since| since.day());
    let cells = [
        place.to_owned(),
        thing.id.clone(),
        format!(
            "{} ({})",
            words::addresses(thing),
            words::binary_addresses(thing)
        ),
        words::output(thing),
        words::drive(thing),
        thing.supply.clone().unwrap_or_default(),
        words::state(thing).to_owned(),
        since.to_owned(),
        looks.join(", "),
        notes.collect::<Vec<_>>().join("; "),
    ];
    for cell in cells {
        write!(out, "| {} ", plain(&cell))?;
    }
    writeln!(out, "|")
}

fn charts(out: &mut String, report: &Report) -> std::fmt::Result {
    for chart in &report.decoders {
        let parts = [
            chart.place.clone(),
            words::output_kind(chart),
            words::supply(chart),
        ];
        let parts: Vec<_> = parts.iter().filter(|part| !part.is_empty()).collect();
        let parts: Vec<_> = parts.into_iter().map(|part| plain(part)).collect();
        writeln!(
            out,
            "\n## Decoder {}\n\n{}\n",
            plain(&chart.id),
            parts.join("; ")
        )?;
        writeln!(
            out,
            "| output | address (binary) | drives |\n| --- | --- | --- |"
        )?;
        for line in &chart.outputs {
            let address = match (line.address, line.binary_address) {
                (Some(keyed), Some(binary)) => format!("{keyed} ({binary})"),
                _ => "none".to_owned(),
            };
            let drives = plain(&words::driven(line));
            writeln!(out, "| {} | {} | {drives} |", line.output, plain(&address))?;
        }
    }
    Ok(())
}

fn runs(out: &mut String, report: &Report) -> std::fmt::Result {
    writeln!(out, "\n## Runs\n")?;
    writeln!(
        out,
        "| run | began | ended | came to | tester | link | witness | program | plan |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    )?;
    for run in &report.runs {
        let cells = [
            run.run.to_string(),
            run.started.to_string(),
            words::ending(run).to_owned(),
            words::counts(&run.counts),
            run.tester.clone(),
            run.link.clone(),
            run.witness.clone(),
            run.version.clone(),
            words::short(&run.fingerprint).to_owned(),
        ];
        for cell in cells {
            write!(out, "| {} ", plain(&cell))?;
        }
        writeln!(out, "|")?;
    }
    let plan = &report.plan;
    writeln!(
        out,
        "\n## Plan\n\n{}, SHA-256 `{}`",
        plain(&plan.file),
        plan.fingerprint
    )?;
    if !report.gone.is_empty() {
        let gone = plain(&report.gone.join(", "));
        writeln!(out, "\nIn the record, no longer in the plan: {gone}")?;
    }
    Ok(())
}

fn cautions(out: &mut String, report: &Report) -> std::fmt::Result {
    writeln!(out, "\n## Cautions\n\n{DEFER}\n")?;
    for caution in &report.cautions {
        writeln!(out, "- {}", caution.text)?;
    }
    Ok(())
}

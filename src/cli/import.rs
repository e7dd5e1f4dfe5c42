//! `import` and `export`.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufRead as _, IsTerminal as _, Read as _, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tempfile::NamedTempFile;
use throwproof_protocol::address::Numbering;

use super::{Exit, Failure, Format, remark, stdout};
use crate::import::{self, Columns, ImportError, Key, LARGEST, Options, Outcome, Table};
use crate::plan::Plan;

/// Shown below the options of `import`.
const EXAMPLES: &str = "\
Examples:
  throwproof import turnouts.csv
  throwproof import turnouts.csv --to plan.toml --name \"Kestrel Bay\"
  throwproof import turnouts.csv --map Nr=id,\"Drive type\"=drive,5=note";

/// Shown below the options of `export`.
const EXPORT_EXAMPLES: &str = "\
Examples:
  throwproof export plan.toml
  throwproof export plan.toml --to turnouts.csv";

/// Write a plan from a spreadsheet's list of turnouts
///
/// Takes CSV as any spreadsheet saves it, with headings in English or German in any order. Shows
/// how it read each column, keeps every row, and lists what it could not read. A file that is
/// there already is never touched. Ends with 0 if all could be read, with 1 if something could
/// not, with 2 if nothing could.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The list
    #[arg(value_name = "LIST")]
    list: PathBuf,

    /// The plan to write [default: beside the list, with the ending `.toml`]
    #[arg(long, value_name = "PLAN")]
    to: Option<PathBuf>,

    /// What a column is, by its heading or its number: `Nr=id,5=note`
    #[arg(long, value_name = "COLUMN=KEY", value_delimiter = ',', value_parser = mapping)]
    map: Vec<(String, Key)>,

    /// How the station numbers: `linear`, `non-linear` or `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,

    /// The layout's name [default: that of the list's file]
    #[arg(long, value_name = "LAYOUT")]
    name: Option<String>,
}

/// Write a plan as a list for a spreadsheet, from which `import` makes the same plan
///
/// A file that is there already is never touched.
#[derive(Debug, clap::Args)]
#[command(after_help = EXPORT_EXAMPLES)]
pub(super) struct ExportArgs {
    /// The plan
    #[arg(value_name = "PLAN")]
    plan: PathBuf,

    /// The list to write [default: beside the plan, with the ending `.csv`]
    #[arg(long, value_name = "LIST")]
    to: Option<PathBuf>,
}

fn mapping(text: &str) -> Result<(String, Key), String> {
    let (column, key) = text
        .rsplit_once('=')
        .ok_or_else(|| "it is COLUMN=KEY, as in Nr=id".to_owned())?;
    let key = Key::named(key.trim()).ok_or_else(|| format!("a column can be {}", Key::names()))?;
    Ok((column.trim().to_owned(), key))
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let to = args
        .to
        .clone()
        .unwrap_or_else(|| args.list.with_extension("toml"));
    // Before anybody answers questions in vain.
    refuse_existing(&to)?;
    let bytes = read(&args.list)?;
    let failed = |error: ImportError| {
        let message = format!("{} can't be read: {error}", args.list.display());
        Failure::usage(message, error.help())
    };
    let table = import::read(&bytes).map_err(failed)?;
    let mut map: BTreeMap<String, Key> = args.map.iter().cloned().collect();
    let mut columns = import::columns(&table, &map).map_err(failed)?;
    let asks = io::stdin().is_terminal() && io::stderr().is_terminal();
    while let Some(unclear) = columns.unclear.first() {
        if !asks {
            return Err(unclear_columns(&columns));
        }
        map.insert(unclear.number.to_string(), ask(unclear)?);
        columns = import::columns(&table, &map).map_err(failed)?;
    }
    let name = args.name.clone().unwrap_or_else(|| {
        let stem = args.list.file_stem();
        stem.map_or_else(String::new, |stem| stem.to_string_lossy().into_owned())
    });
    let options = Options {
        name,
        numbering: args.numbering.unwrap_or_default(),
    };
    let outcome = import::plan(&table, &columns, &options).map_err(failed)?;
    let nothing = outcome.turnouts + outcome.signals + outcome.decoders == 0;
    if !nothing {
        write_new(&to, outcome.text.as_bytes())?;
    }
    let mut out = stdout();
    match format {
        Format::Text => show(&mut out, &to, &table, &columns, &outcome, nothing)?,
        Format::Json => {
            for line in lines(&to, &table, &columns, &outcome, nothing) {
                writeln!(out, "{line}")?;
            }
        }
    }
    out.flush()?;
    if nothing {
        return Err(Failure::usage(
            format!(
                "nothing in {} could be read, and no plan is written",
                args.list.display()
            ),
            "mend what is listed, or say with --map what the columns are",
        ));
    }
    Ok(if outcome.unread.is_empty() {
        Exit::Clean
    } else {
        Exit::Found
    })
}

/// Reads no more than a list may have.
fn read(list: &Path) -> Result<Vec<u8>, Failure> {
    let limit = u64::try_from(LARGEST).unwrap_or(u64::MAX);
    let mut bytes = Vec::new();
    let read = File::open(list).and_then(|file| {
        let size = file.metadata()?.len();
        file.take(limit + 1).read_to_end(&mut bytes)?;
        Ok(size)
    });
    let size = read.map_err(|error| {
        let message = format!("{} can't be read: {error}", list.display());
        Failure::usage(message, "name a file that is there and that you may read")
    })?;
    if bytes.len() > LARGEST {
        let error = ImportError::TooLarge {
            size: size.max(limit + 1),
        };
        let message = format!("{} can't be read: {error}", list.display());
        return Err(Failure::usage(message, error.help()));
    }
    Ok(bytes)
}

fn unclear_columns(columns: &Columns) -> Failure {
    let told = columns.unclear.iter().map(|one| {
        let keys: Vec<_> = one.candidates.iter().map(|key| key.as_str()).collect();
        let heading = one.heading.as_deref().unwrap_or("without heading");
        let examples = one.examples.join(", ");
        format!(
            "column {} ({heading}: {examples}) may be {}",
            one.number,
            keys.join(" or ")
        )
    });
    let told: Vec<_> = told.collect();
    let options = columns.unclear.iter().map(|one| {
        let key = one.candidates.first().map_or("note", |key| key.as_str());
        format!("{}={key}", one.number)
    });
    let options: Vec<_> = options.collect();
    Failure::usage(
        told.join("; "),
        format!(
            "say which, as in --map {}; a column can be {}",
            options.join(","),
            Key::names()
        ),
    )
}

/// Asks a person what a column is.
fn ask(unclear: &import::Unclear) -> Result<Key, Failure> {
    let mut out = io::stderr();
    let heading = unclear.heading.as_deref().unwrap_or("no heading");
    let keys: Vec<_> = unclear.candidates.iter().map(|key| key.as_str()).collect();
    let examples = unclear.examples.join(", ");
    writeln!(out, "Column {}, {heading}: {examples}", unclear.number)?;
    loop {
        write!(
            out,
            "What is it: {}, another key, or Enter for a note? ",
            keys.join(" or ")
        )?;
        out.flush()?;
        let mut line = String::new();
        if io::stdin().lock().read_line(&mut line)? == 0 {
            writeln!(out)?;
            return Err(Failure::Interrupted);
        }
        match line.trim() {
            "" => return Ok(Key::Note),
            name => match Key::named(name) {
                Some(key) => return Ok(key),
                None => writeln!(out, "  it can be {}", Key::names())?,
            },
        }
    }
}

fn delimiter(table: &Table) -> &'static str {
    match table.delimiter {
        ';' => "semicolon",
        '\t' => "tab",
        _ => "comma",
    }
}

fn show(
    out: &mut impl Write,
    to: &Path,
    table: &Table,
    columns: &Columns,
    outcome: &Outcome,
    nothing: bool,
) -> io::Result<()> {
    writeln!(
        out,
        "Read as {}, cells apart by {}.",
        table.encoding.as_str(),
        delimiter(table)
    )?;
    if table.is_export() {
        writeln!(out, "An exported plan: each column is a key of the plan.")?;
    } else {
        if table.headings.is_none() {
            writeln!(
                out,
                "It has no row of headings: columns are told by their content. Look at them."
            )?;
        }
        for column in &columns.list {
            let heading = column.heading.as_deref().unwrap_or("(no heading)");
            let heading: String = heading.chars().flat_map(char::escape_debug).collect();
            let examples = column.examples.join(", ");
            let key = match column.how {
                import::How::Unknown => "not known: kept as comments",
                import::How::Heading | import::How::Said | import::How::Content => {
                    column.key.as_str()
                }
            };
            writeln!(
                out,
                "  column {:<2} {heading} -> {key}   ({examples})",
                column.number
            )?;
        }
    }
    for one in &outcome.assumed {
        writeln!(out, "Assumed: {one}.")?;
    }
    for one in &outcome.unread {
        let kept = if one.kept {
            "the rest of it is in the plan"
        } else {
            "it is a comment in the plan"
        };
        writeln!(
            out,
            "Row {}: {}; {kept}.\n  {}",
            one.row, one.reason, one.mend
        )?;
    }
    if nothing {
        return Ok(());
    }
    let path = to.display();
    let next = if outcome.unwired > 0 {
        let unwired = outcome.unwired;
        writeln!(out, "Without an output or address yet: {unwired}.")?;
        "allot"
    } else {
        "check"
    };
    writeln!(
        out,
        "Wrote {path}: rows {}, turnouts {}, signals {}, decoders {}, unread {}. Look it through, then:\n  \
         throwproof {next} {path}",
        outcome.rows,
        outcome.turnouts,
        outcome.signals,
        outcome.decoders,
        outcome.unread.len(),
    )
}

fn lines(
    to: &Path,
    table: &Table,
    columns: &Columns,
    outcome: &Outcome,
    nothing: bool,
) -> Vec<Value> {
    let mut lines: Vec<Value> = Vec::new();
    for column in &columns.list {
        let mut line = json!({
            "event": "column",
            "column": column.number,
            "key": column.key.as_str(),
            "how": column.how.as_str(),
            "examples": column.examples,
        });
        if let (Some(heading), Some(fields)) = (&column.heading, line.as_object_mut()) {
            fields.insert("heading".to_owned(), heading.as_str().into());
        }
        lines.push(line);
    }
    for what in &outcome.assumed {
        lines.push(json!({ "event": "assumed", "what": what }));
    }
    for one in &outcome.unread {
        lines.push(json!({
            "event": "unread",
            "row": one.row,
            "reason": one.reason,
            "mend": one.mend,
            "kept": one.kept,
        }));
    }
    let mut summary = json!({
        "event": "summary",
        "encoding": table.encoding.as_str(),
        "delimiter": delimiter(table),
        "headings": table.headings.is_some(),
        "rows": outcome.rows,
        "turnouts": outcome.turnouts,
        "unwired": outcome.unwired,
        "signals": outcome.signals,
        "decoders": outcome.decoders,
        "unread": outcome.unread.len(),
    });
    if let (false, Some(fields)) = (nothing, summary.as_object_mut()) {
        fields.insert("plan".to_owned(), to.display().to_string().into());
    }
    lines.push(summary);
    lines
}

pub(super) fn export(args: &ExportArgs, format: Format) -> Result<Exit, Failure> {
    let to = args
        .to
        .clone()
        .unwrap_or_else(|| args.plan.with_extension("csv"));
    refuse_existing(&to)?;
    let plan = Plan::load(&args.plan)?;
    let bytes = import::export(&plan)
        .map_err(|error| Failure::usage(error.to_string(), "tell those who make the program"))?;
    write_new(&to, &bytes)?;
    let mut out = stdout();
    let (path, turnouts) = (to.display().to_string(), plan.turnouts.len());
    let (signals, decoders) = (plan.signals.len(), plan.decoders.len());
    match format {
        Format::Json => writeln!(
            out,
            "{}",
            json!({
                "event": "list-written",
                "list": path,
                "turnouts": turnouts,
                "signals": signals,
                "decoders": decoders,
            })
        )?,
        Format::Text => writeln!(
            out,
            "Wrote {path}: turnouts {turnouts}, signals {signals}, decoders {decoders}. To make a \
             plan of it again:\n  throwproof import {path} --to NEW.toml"
        )?,
    }
    out.flush()?;
    Ok(Exit::Clean)
}

fn in_the_way(path: &Path) -> Failure {
    Failure::usage(
        format!("{} is there already, and is left as it is", path.display()),
        "name another file with --to, or move that one away",
    )
}

fn refuse_existing(path: &Path) -> Result<(), Failure> {
    match fs::symlink_metadata(path) {
        Ok(_) => Err(in_the_way(path)),
        Err(_) => Ok(()),
    }
}

/// Writes a new file, whole or not at all.
fn write_new(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    let everyone = {
        use std::os::unix::fs::PermissionsExt as _;
        // The user's mask takes away from this what it should.
        fs::Permissions::from_mode(0o666)
    };
    #[cfg(unix)]
    builder.permissions(everyone);
    let ready = builder
        .tempfile_in(folder)
        .and_then(|mut file: NamedTempFile| {
            file.write_all(bytes)?;
            file.as_file().sync_all()?;
            Ok(file)
        });
    let placed = ready.and_then(|file| file.persist_noclobber(path).map_err(|error| error.error));
    match placed {
        Ok(file) => {
            if let Err(error) = file.sync_all() {
                remark(&format!(
                    "{} may not be on disk yet: {error}",
                    path.display()
                ));
            }
            Ok(())
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(in_the_way(path)),
        Err(error) => Err(Failure::usage(
            format!(
                "{} can't be written: {}",
                path.display(),
                io::Error::from(error.kind())
            ),
            "name a file with --to in a folder that you may write to",
        )),
    }
}

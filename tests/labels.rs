//! Labels in real millimetres, checked by rendering them with poppler and a browser.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "of a parser's events only some are of interest"
)]
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "places on a sheet of paper are small and positive"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use proptest::prelude::*;
use quick_xml::events::Event as XmlEvent;
use throwproof::report::labels::sheet::Paper;
use throwproof::report::labels::{LabelError, Sheet, SheetError, draw};
use throwproof::report::{Nature, Report};

mod support {
    pub(crate) mod report;
}

use support::report as fixed;

/// Points in a millimetre.
const POINTS: f64 = 72.0 / 25.4;

fn run(program: &str, arguments: &[&str]) -> Vec<u8> {
    let output = Command::new(program).args(arguments).output();
    let output = output.unwrap_or_else(|error| {
        panic!("{program}: {error}; install poppler-utils and chromium, as scripts/check does")
    });
    assert!(
        output.status.success(),
        "{program} {arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

/// A box on a page, in millimetres from the left upper corner.
#[derive(Debug, Clone, Copy)]
struct Box {
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
}

impl Box {
    fn holds(&self, other: &Self, slack: f64) -> bool {
        other.left >= self.left - slack
            && other.top >= self.top - slack
            && other.right <= self.right + slack
            && other.bottom <= self.bottom + slack
    }
}

/// Size of a page in points, and each word on it with the box that poppler finds.
struct Page {
    points: (f64, f64),
    words: Vec<(String, Box)>,
}

fn pages(pdf: &Path) -> Vec<Page> {
    let text = run("pdftotext", &["-bbox", pdf.to_str().unwrap(), "-"]);
    // Poppler does not write every title as UTF-8; the words it does.
    let text = String::from_utf8_lossy(&text);
    let text = text.split_once("<doc>").unwrap().1;
    let text = text.split_once("</doc>").unwrap().0;
    let mut reader = quick_xml::Reader::from_str(text);
    let mut pages: Vec<Page> = Vec::new();
    let mut in_word = false;
    loop {
        match reader.read_event().unwrap() {
            XmlEvent::Start(tag) => {
                in_word = tag.name().as_ref() == b"word";
                let number = |name: &str| -> f64 {
                    let attribute = tag.try_get_attribute(name).unwrap().unwrap();
                    std::str::from_utf8(&attribute.value)
                        .unwrap()
                        .parse()
                        .unwrap()
                };
                if tag.name().as_ref() == b"page" {
                    pages.push(Page {
                        points: (number("width"), number("height")),
                        words: Vec::new(),
                    });
                } else if in_word {
                    let place = Box {
                        left: number("xMin") / POINTS,
                        top: number("yMin") / POINTS,
                        right: number("xMax") / POINTS,
                        bottom: number("yMax") / POINTS,
                    };
                    pages.last_mut().unwrap().words.push((String::new(), place));
                }
            }
            XmlEvent::Text(text) if in_word => {
                let word = &mut pages.last_mut().unwrap().words.last_mut().unwrap().0;
                word.push_str(std::str::from_utf8(&text).unwrap());
            }
            XmlEvent::End(_) => in_word = false,
            XmlEvent::Eof => return pages,
            _ => {}
        }
    }
}

/// A page as grey dots.
struct Dots {
    width: usize,
    height: usize,
    grey: Vec<u8>,
}

/// Dots in an inch of the rendered page.
const RESOLUTION: f64 = 300.0;

impl Dots {
    fn of(pdf: &Path) -> Self {
        let file = pdf.to_str().unwrap();
        let resolution = RESOLUTION.to_string();
        let pgm = run(
            "pdftoppm",
            &["-r", &resolution, "-gray", "-f", "1", "-singlefile", file],
        );
        // P5, width, height, 255, each with white space behind it (Netpbm's plain description).
        let mut fields = pgm.splitn(4, u8::is_ascii_whitespace);
        assert_eq!(fields.next().unwrap(), b"P5");
        let mut number = || -> usize {
            let field = std::str::from_utf8(fields.next().unwrap()).unwrap();
            field.parse().unwrap()
        };
        let (width, height) = (number(), number());
        let grey = pgm[pgm.len() - width * height..].to_vec();
        Self {
            width,
            height,
            grey,
        }
    }

    /// The darkest dot in a square of that many dots each way around a place in millimetres.
    fn darkest(&self, x: f64, y: f64, around: usize) -> u8 {
        let at = |millimetres: f64| (millimetres / 25.4 * RESOLUTION).round() as usize;
        let (x, y) = (at(x), at(y));
        let rows = y.saturating_sub(around)..=(y + around).min(self.height - 1);
        let dots = rows.flat_map(|y| {
            let columns = x.saturating_sub(around)..=(x + around).min(self.width - 1);
            columns.map(move |x| self.grey[y * self.width + x])
        });
        dots.min().unwrap()
    }
}

/// The labels of the sheet, by its geometry as people write it down.
fn boxes(
    columns: usize,
    rows: usize,
    corner: (f64, f64),
    step: (f64, f64),
    size: (f64, f64),
) -> Vec<Box> {
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
    places
        .map(|(row, column)| {
            let left = corner.0 + step.0 * column as f64;
            let top = corner.1 + step.1 * row as f64;
            Box {
                left,
                top,
                right: left + size.0,
                bottom: top + size.1,
            }
        })
        .collect()
}

/// derived: A4, 3 by 8 labels of 63.5 × 33.9 mm, 2.5 mm between columns, in the middle.
fn on_a4() -> Vec<Box> {
    boxes(3, 8, (7.25, 12.9), (66.0, 33.9), (63.5, 33.9))
}

fn written(
    report: &Report,
    only: &[&str],
    sheet: &Sheet,
    name: &str,
) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    let only: Vec<_> = only.iter().map(|id| (*id).to_owned()).collect();
    let labels = draw(report, &only, sheet, &path).unwrap();
    for (path, bytes) in &labels.files {
        fs::write(path, bytes).unwrap();
    }
    (folder, path)
}

/// The words in each box, and that there are none elsewhere.
fn sorted(page: &Page, boxes: &[Box]) -> Vec<Vec<String>> {
    let mut found = vec![Vec::new(); boxes.len()];
    for (word, place) in &page.words {
        // The font's own box reaches a little over its letters.
        let label = boxes.iter().position(|label| label.holds(place, 0.05));
        let label = label.unwrap_or_else(|| panic!("{word} at {place:?} is in no label"));
        found[label].push(word.clone());
    }
    found
}

fn close(found: (f64, f64), expected: (f64, f64)) -> bool {
    (found.0 - expected.0).abs() < 0.05 && (found.1 - expected.1).abs() < 0.05
}

#[test]
fn each_label_has_its_own_words_inside_its_own_box() {
    let report = fixed::fixed(Nature::Layout);
    let (_folder, path) = written(&report, &[], &Sheet::default(), "labels.pdf");
    let pages = pages(&path);
    assert_eq!(pages.len(), 1);
    // ISO 216: A4 is 210 by 297 mm.
    assert!(
        close(pages[0].points, (595.276, 841.890)),
        "{:?}",
        pages[0].points
    );
    let words = sorted(&pages[0], &on_a4());
    // Seven turnouts, a signal, two decoders.
    assert!(words[..10].iter().all(|words| !words.is_empty()));
    assert!(words[10..].iter().all(Vec::is_empty));
    let line = |at: usize| words[at].join(" ");
    assert_eq!(
        line(0),
        "Q1 address 9 Quay throat D1 output 1 binary 12 straight: terminal 1, diverging: terminal \
         0 supply quay, 16 V, 2.5 A proved 2026-10-03 twin-coil"
    );
    // Wired the other way round, and proved before the last run.
    assert!(
        line(1).contains("straight: terminal 0, diverging: terminal 1"),
        "{}",
        line(1)
    );
    assert!(line(1).contains("proved 2026-09-12"), "{}", line(1));
    assert!(
        line(2).contains("proved ____"),
        "one-way is not proved: {}",
        line(2)
    );
    assert!(
        line(3).contains("straight: sense 1"),
        "a motor has no terminals: {}",
        line(3)
    );
    assert!(
        line(5).contains("address 253") && line(5).contains("binary 256"),
        "{}",
        line(5)
    );
    assert!(line(5).contains("decoder not in the plan"), "{}", line(5));
    assert!(
        line(7).contains("stop 0, proceed 1, caution 2"),
        "{}",
        line(7)
    );
    assert_eq!(
        line(8),
        "D1 addresses 9–12 Under the quay 4 outputs, pulse 150 ms binary 12–15 supply quay, 16 V, \
         2.5 A 1 Q1 2 Q2 3 Q3 4 –"
    );
}

#[test]
fn a_rehearsal_proves_nothing_on_a_label() {
    let report = fixed::fixed(Nature::Rehearsal);
    assert!(report.counts.proved > 0);
    let (_folder, path) = written(&report, &[], &Sheet::default(), "labels.pdf");
    let text = String::from_utf8(run("pdftotext", &[path.to_str().unwrap(), "-"])).unwrap();
    assert!(
        text.contains("proved ____") && !text.contains("proved 2"),
        "{text}"
    );
}

#[test]
fn cut_marks_are_at_the_corners_and_nothing_is_outside() {
    let report = fixed::fixed(Nature::Layout);
    let (_folder, path) = written(&report, &[], &Sheet::default(), "labels.pdf");
    let dots = Dots::of(&path);
    // derived: 210 mm and 297 mm at 300 dots an inch.
    assert!(dots.width.abs_diff(2480) <= 1 && dots.height.abs_diff(3508) <= 1);
    let labels = on_a4();
    for label in &labels[..10] {
        for (x, inward) in [(label.left, 1.0), (label.right, -1.0)] {
            for (y, down) in [(label.top, 1.0), (label.bottom, -1.0)] {
                // A tenth of a millimetre is a dot or so: on the line, within two dots.
                assert!(dots.darkest(x + inward, y, 2) < 100, "{label:?}");
                assert!(dots.darkest(x, y + down, 2) < 100, "{label:?}");
                // And no line one millimetre beside it, where no text is.
                assert!(
                    dots.darkest(x + inward, y + 0.9 * down, 3) > 200,
                    "{label:?}"
                );
            }
        }
    }
    // Between columns, in the margins and on labels that are not there is nothing.
    for y in (0..290).map(f64::from) {
        for x in [3.0, 7.25 + 64.75, 7.25 + 66.0 + 64.75, 206.0] {
            assert!(dots.darkest(x, y, 4) == 255, "{x} {y}");
        }
    }
    assert!(dots.darkest(40.0, labels[12].top + 15.0, 150) == 255);
}

#[test]
fn sheets_labels_and_places_are_as_asked() {
    let report = fixed::fixed(Nature::Layout);
    // Letter: 8.5 by 11 in; labels of 2.625 by 1 in, ⅛ in between columns. common practice.
    let (_folder, path) = written(&report, &[], &Sheet::on(Paper::Letter), "l.pdf");
    let page = &pages(&path)[0];
    assert!(close(page.points, (612.0, 792.0)), "{:?}", page.points);
    let inch = 25.4;
    let letter = boxes(
        3,
        10,
        (0.1875 * inch, 0.5 * inch),
        (2.75 * inch, inch),
        (2.625 * inch, inch),
    );
    assert!(sorted(page, &letter)[0].contains(&"Q1".to_owned()));

    // The sheet begins at its 23rd label: two fit, the rest goes to the next sheet.
    let sheet = Sheet {
        first: 23,
        ..Sheet::default()
    };
    let (_folder, path) = written(&report, &[], &sheet, "l.pdf");
    let pages_of = pages(&path);
    assert_eq!(pages_of.len(), 2);
    let words = sorted(&pages_of[0], &on_a4());
    assert!(words[..22].iter().all(Vec::is_empty));
    assert_eq!((words[22][0].as_str(), words[23][0].as_str()), ("Q1", "Q2"));
    assert_eq!(sorted(&pages_of[1], &on_a4())[0][0], "Q3");

    // A small label at a margin of its own, and only some of them.
    let sheet = Sheet {
        label: (38.1, 21.2).into(),
        gap: (2.0, 0.0).into(),
        margin: Some((11.0, 13.0).into()),
        marks: false,
        ..Sheet::on(Paper::Other((210.0, 148.5).into()))
    };
    let (_folder, path) = written(&report, &["F2", "D2"], &sheet, "l.pdf");
    let small = boxes(4, 6, (11.0, 13.0), (40.1, 21.2), (38.1, 21.2));
    let words = sorted(&pages(&path)[0], &small);
    assert_eq!((words[0][0].as_str(), words[1][0].as_str()), ("F2", "D2"));
    assert!(words[2..].iter().all(Vec::is_empty));
    assert_eq!(
        Dots::of(&path).darkest(11.0, 13.0, 12),
        255,
        "no marks were asked for"
    );
}

#[test]
fn a_browser_prints_the_same_millimetres() {
    let report = fixed::fixed(Nature::Layout);
    let sheet = Sheet {
        first: 23,
        ..Sheet::default()
    };
    let (folder, path) = written(&report, &[], &sheet, "labels.html");
    let pdf = folder.path().join("printed.pdf");
    let profile = folder.path().join("profile");
    run(
        "chromium",
        &[
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-pdf-header-footer",
            &format!("--user-data-dir={}", profile.display()),
            &format!("--print-to-pdf={}", pdf.display()),
            &format!("file://{}", path.display()),
        ],
    );
    let pages = pages(&pdf);
    assert_eq!(pages.len(), 2);
    for page in &pages {
        // A browser counts in whole points or so.
        let (width, height) = page.points;
        assert!(
            (width - 595.276).abs() < 1.0 && (height - 841.890).abs() < 1.0,
            "{width} {height}"
        );
    }
    // The box of another font than the one reckoned with reaches a little over its letters.
    let wide: Vec<_> = on_a4();
    for (page, first) in pages.iter().zip([22, 0]) {
        let mut found = vec![0; wide.len()];
        for (word, place) in &page.words {
            let label = wide.iter().position(|label| label.holds(place, 0.6));
            found[label.unwrap_or_else(|| panic!("{word} at {place:?}"))] += 1;
        }
        assert!(found[first] > 0 && found[first + 1] > 0, "{found:?}");
    }
    let dots = Dots::of(&pdf);
    let label = &wide[22];
    assert!(dots.darkest(label.left + 1.0, label.top, 4) < 100);
    assert!(dots.darkest(label.left, label.top + 1.0, 4) < 100);
}

#[test]
fn svg_has_a_file_for_each_sheet_in_millimetres() {
    let report = fixed::fixed(Nature::Layout);
    let sheet = Sheet {
        first: 23,
        ..Sheet::default()
    };
    let (folder, path) = written(&report, &[], &sheet, "labels.svg");
    let second = folder.path().join("labels-2.svg");
    for (path, id) in [(path, ">Q1<"), (second, ">Q3<")] {
        let svg = fs::read_to_string(path).unwrap();
        assert!(svg.contains("width=\"210mm\" height=\"297mm\" viewBox=\"0 0 210 297\""));
        assert!(svg.contains(id));
        let mut reader = quick_xml::Reader::from_str(&svg);
        while reader.read_event().unwrap() != XmlEvent::Eof {}
    }
}

#[test]
fn what_can_not_be_is_told() {
    let report = fixed::fixed(Nature::Layout);
    let error = |only: &[String], sheet: &Sheet, name: &str| {
        draw(&report, only, sheet, Path::new(name)).unwrap_err()
    };
    let sheet = Sheet::default();
    assert!(matches!(error(&[], &sheet, "l.docx"), LabelError::Kind(_)));
    let unknown = ["Q1".to_owned(), "Z9".to_owned()];
    assert!(matches!(error(&unknown, &sheet, "l.pdf"), LabelError::NoSuchId(id) if id == "Z9"));
    let large = Sheet {
        label: (300.0, 20.0).into(),
        ..Sheet::default()
    };
    assert!(matches!(
        error(&[], &large, "l.pdf"),
        LabelError::Sheet(SheetError::Large)
    ));
}

#[test]
fn letters_that_the_font_lacks_are_told_of() {
    let mut report = fixed::fixed(Nature::Layout);
    report.places[0].name = "Ost → 🚂 Łódź".to_owned();
    let path = Path::new("l.pdf");
    let labels = draw(&report, &[], &Sheet::default(), path).unwrap();
    assert_eq!(labels.replaced, ["Q1", "Q2"]);
    let (_folder, path) = written(&report, &["Q1"], &Sheet::default(), "l.pdf");
    let text = String::from_utf8(run("pdftotext", &[path.to_str().unwrap(), "-"])).unwrap();
    assert!(text.contains("Ost ? ? ?ód?"), "{text}");
    let (_folder, path) = written(&report, &["Q1"], &Sheet::default(), "l.svg");
    assert!(fs::read_to_string(path).unwrap().contains("Ost → 🚂 Łódź"));
}

fn nasty() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("\\) Tj ET (<</Type>>%".to_owned()),
        Just("<script>alert(1)</script>&\"'".to_owned()),
        Just("Ä€„“ß→№🚂\u{202e}תחנה".to_owned()),
        Just("W".repeat(200)),
        Just("\u{0}\u{7}\r\n\t\u{1b}\u{ffff}".to_owned()),
        ".{0,120}",
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn nasty_words_stay_inside_their_label(
        place in nasty(),
        decoder in nasty(),
        width in 20.0..90.0f64,
        height in 8.0..60.0f64,
    ) {
        let mut report = fixed::fixed(Nature::Layout);
        for name in &mut report.places {
            name.name.clone_from(&place);
        }
        report.decoders[0].place = decoder;
        report.layout = place;
        let sheet = Sheet { label: (width, height).into(), ..Sheet::default() };
        let grid = sheet.grid().unwrap();
        let labels: Vec<_> = (0..grid.slots())
            .map(|slot| {
                let (left, top) = grid.corner(slot);
                Box { left, top, right: left + width, bottom: top + height }
            })
            .collect();
        let (_folder, path) = written(&report, &[], &sheet, "labels.pdf");
        for page in pages(&path) {
            sorted(&page, &labels);
        }
        let (_folder, path) = written(&report, &[], &sheet, "labels.svg");
        let svg = fs::read_to_string(path).unwrap();
        let mut reader = quick_xml::Reader::from_str(&svg);
        while reader.read_event().unwrap() != XmlEvent::Eof {}
    }
}

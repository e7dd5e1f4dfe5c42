//! Where to look, and how it looks there.

use super::Page;
use crate::drawing::Route;
use crate::event::Subject;
use crate::witness::ask::lamps;
use crate::witness::ask::picture::{self, Picture};
use crate::witness::ask::text::bold;
use crate::witness::desk::{PositionSight, Sight};

/// What a drawing is set in by.
const INDENT: &str = "      ";

impl Page<'_> {
    /// Where to look.
    pub(super) fn sight(&mut self, sight: &Sight) {
        let id = sight.subject.id().as_str();
        let what = match (&sight.subject, sight.shape) {
            (Subject::Turnout(_), Some(shape)) => picture::name(shape),
            (Subject::Turnout(_), None) => "turnout",
            (Subject::Signal(_), _) => sight.sort.word(),
        };
        let mut address = format!("address {}", sight.address);
        for more in &sight.more_addresses {
            address = format!("{}, {more}", address.replacen("address ", "addresses ", 1));
        }
        if self.manner.plain {
            let place = match sight.place.as_str() {
                "" => String::new(),
                place => format!("{place}, "),
            };
            self.say(format!("Look at {place}{what} {id}, {address}."));
            return;
        }
        self.space();
        if !sight.place.is_empty() {
            self.say(bold(&sight.place));
        }
        self.say(format!("{}   {what}, {address}", bold(id)));
    }

    /// How it looks, or where its routes go.
    pub(super) fn shape(&mut self, sight: &Sight) {
        let picture = if sight.positions.is_empty() {
            sight.shape.map(Picture::of)
        } else {
            sight.shape.map(Picture::of_several)
        };
        let Some(picture) = picture else {
            self.lamps(sight);
            return;
        };
        if self.manner.plain {
            self.lines.extend(picture.words.map(str::to_owned));
        } else if self.manner.draws() {
            self.space();
            let rows = picture.drawn(self.manner.unicode);
            self.lines.extend(rows.map(|row| format!("{INDENT}{row}")));
        }
        // Where the plan calls a route otherwise than the drawing does.
        for PositionSight { name, route } in &sight.positions {
            let route = route.map(Route::as_str);
            if let Some(route) = route.filter(|route| *route != name.as_str()) {
                self.say(format!("Here {name} is {route}."));
            }
        }
    }

    /// Which lamps each aspect lights, where the plan says so.
    fn lamps(&mut self, sight: &Sight) {
        let (aspects, faces) = (&sight.aspects, &sight.faces);
        if faces.iter().all(Option::is_none) {
            return;
        }
        self.space();
        if !self.manner.draws() {
            self.lines.extend(lamps::sentences(aspects, faces));
            return;
        }
        let width = self.manner.width() - INDENT.len();
        let rows = lamps::drawn(aspects, faces, self.manner.unicode, width);
        let legend = lamps::legend(faces).map(str::to_owned);
        let rows = rows.into_iter().chain(legend);
        self.lines.extend(rows.map(|row| format!("{INDENT}{row}")));
    }
}

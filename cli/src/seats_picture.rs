//! The sheet of an ensemble's seats: the platform in plan and in section, to one scale, with a lettered tick for each seat and a small one for each player of a section.

use std::path::Path;

use anyhow::Result;
use plotters::style::RGBColor;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Section, Source};

use crate::label_places::{Label, Rect, places};
use crate::paper::{
    Anchor, BLUE, DASHED, FAINT, GREY, INK, PANEL, Panel, Pen, SHORT_DASHES, Sheet, VERMILION,
    draw as draw_sheet, round_steps, short,
};
use crate::setting::beside;

/// A seat in the picture.
#[derive(Clone, Debug)]
pub(crate) struct Seated {
    /// What stands at its tick.
    pub(crate) letter: String,
    /// Who sits there.
    pub(crate) name: String,
    /// Seat, platform and microphones.
    pub(crate) settings: Settings,
}

/// Returns the letter of the stem at a place: A to Z, then AA, AB...
pub(crate) fn letter(index: usize) -> String {
    let last = char::from(b'A' + (index % 26) as u8);
    match index / 26 {
        0 => last.to_string(),
        rounds => letter(rounds - 1) + &last.to_string(),
    }
}

/// Width of the sheet, points.
const WIDTH: f64 = 1400.0;
/// Paper at the left of the plan, between plan and section, and at the right, points.
const MARGINS: (f64, f64, f64) = (72.0, 100.0, 60.0);
/// Paper above plan and section, points.
const ABOVE: f64 = 92.0;
/// Paper below them, with their scales, points.
const BELOW: f64 = 72.0;
/// Most points for a metre, so that a small platform does not fill the sheet.
const MOST_POINTS_PER_M: f64 = 44.0;
/// Length of the tick, which points to where a player looks, m.
const LOOK_M: f64 = 0.5;
/// The same of each player of a section, m, and the radius of its dot, points.
const ONE_LOOK_M: f64 = 0.22;
const ONE_DOT: f64 = 2.0;
/// Half of the width at which a riser is drawn, m.
const RISER_M: f64 = 0.45;
/// Size of letters at the ticks, points.
const LETTERING: f64 = 16.0;
/// Radius of a seat's dot, points.
const DOT: f64 = 5.0;
/// Seats nearer than this in a view share a label, points.
const ONE_SPOT: f64 = 5.0;
/// Room that the number of an arc takes up, points.
const ARC_NUMBER: f64 = 20.0;
/// Columns of the legend.
const COLUMNS: usize = 3;
/// Height of an entry of the legend, points.
const ENTRY: f64 = 40.0;
/// Most letters of a name in the legend; a longer one is cut.
const LONGEST_NAME: usize = 44;

impl Seated {
    /// Returns every player of a section; nobody where one plays, whom the seat stands for.
    fn players(&self) -> Vec<Source> {
        let Settings { seat, platform, microphones, .. } = &self.settings;
        let section = Section::of(seat);
        let spots = section.spots().iter().filter(|_| section.spots().len() > 1);
        spots.map(|&spot| seat.source_on(spot, platform, microphones)).collect()
    }
}

/// Draws the seats on the platform of the first.
///
/// # Errors
/// When it cannot be written.
pub(crate) fn draw(path: &Path, title: &str, seats: &[Seated]) -> Result<()> {
    let common = seats.first().map(|seated| seated.settings).unwrap_or_default();
    let (platform, microphones) = (common.platform, common.microphones);
    let room = WIDTH - MARGINS.0 - MARGINS.1 - MARGINS.2;
    let scale = (room / (platform.width_m + platform.depth_m)).min(MOST_POINTS_PER_M);
    let floor = ABOVE + scale * platform.depth_m.max(platform.height_m);
    let plan = Panel {
        from: (MARGINS.0, floor - scale * platform.depth_m),
        to: (MARGINS.0 + scale * platform.width_m, floor),
        x: (-platform.width_m / 2.0, platform.width_m / 2.0),
        y: (0.0, platform.depth_m),
    };
    let left = plan.to.0 + MARGINS.1;
    let section = Panel {
        from: (left, floor - scale * platform.height_m),
        to: (left + scale * platform.depth_m, floor),
        x: (0.0, platform.depth_m),
        y: (0.0, platform.height_m),
    };
    let rows = seats.len().div_ceil(COLUMNS);
    let legend = floor + BELOW;
    let size = (WIDTH as u32, (legend + ENTRY * rows as f64 + 24.0) as u32);
    draw_sheet(path, size, |sheet| {
        sheet.text(title, (MARGINS.0, 32.0), 22.0, Anchor::Left, INK)?;
        let words = format!(
            "To scale: platform {} m wide, {} m deep, {} m high, decay {} s; main microphones {}, {} m high. Ticks show which way players face; small ones are the players of a section.",
            short(platform.width_m),
            short(platform.depth_m),
            short(platform.height_m),
            short(platform.decay_s),
            microphones.pair.name(),
            short(microphones.height_m)
        );
        sheet.text(&words, (MARGINS.0, 60.0), 14.0, Anchor::Left, GREY)?;
        let sources: Vec<Source> = seats
            .iter()
            .map(|seated| {
                let settings = &seated.settings;
                settings.seat.source(&settings.platform, &settings.microphones)
            })
            .collect();
        in_plan(sheet, &plan, microphones.depth_m, seats, &sources)?;
        in_section(sheet, &section, (microphones.depth_m, microphones.height_m), seats, &sources)?;
        seats
            .iter()
            .zip(&sources)
            .enumerate()
            .try_for_each(|(index, (seated, source))| entry(sheet, legend, rows, index, seated, source))
    })
}

fn in_plan(
    sheet: &Sheet,
    plan: &Panel,
    microphones_y: f64,
    seats: &[Seated],
    sources: &[Source],
) -> Result<()> {
    sheet.fill(plan.from, plan.to, PANEL)?;
    let tick = Pen::solid(GREY, 1.0);
    for x in round_steps(plan.x.0, plan.x.1, 10.0) {
        let (at, below) = plan.place(x, 0.0);
        sheet.line(&[(at, below), (at, below + 7.0)], tick)?;
        let words = match x {
            x if x < 0.0 => format!("{} left", -x),
            x if x > 0.0 => format!("{x} right"),
            _ => "centre".into(),
        };
        sheet.text(&words, (at, below + 11.0), 13.0, Anchor::Top, GREY)?;
    }
    for y in round_steps(0.0, plan.y.1, 6.0) {
        let (left, at) = plan.place(plan.x.0, y);
        sheet.line(&[(left - 7.0, at), (left, at)], tick)?;
        sheet.text(&format!("{y} m"), (left - 12.0, at), 13.0, Anchor::Right, GREY)?;
    }
    let numbers = arcs(sheet, plan, microphones_y)?;
    let wall = Pen::solid(INK, 3.0);
    let (left, right, bottom) = (plan.from.0, plan.to.0, plan.to.1);
    sheet.line(&[(left, bottom), plan.from, (right, plan.from.1), plan.to], wall)?;
    sheet.line(&[(left, bottom), plan.to], Pen::solid(BLUE, 2.0).with(DASHED))?;
    let middle = f64::midpoint(left, right);
    sheet.text("PLAN: front edge, open to the hall", (middle, bottom + 34.0), 14.0, Anchor::Top, BLUE)?;
    sheet.text("rear wall", (middle, plan.from.1 - 5.0), 13.0, Anchor::Bottom, GREY)?;

    let mark = |source: &Source, look_m: f64| {
        let (place, ahead) = (source.position, source.forward);
        Mark {
            at: plan.place(place.x, place.y),
            tick: plan.place(place.x + ahead.x * look_m, place.y + ahead.y * look_m),
        }
    };
    let marks: Vec<Mark> = sources.iter().map(|source| mark(source, LOOK_M)).collect();
    let players: Vec<Mark> =
        seats.iter().flat_map(Seated::players).map(|player| mark(&player, ONE_LOOK_M)).collect();
    let microphones = plan.place(0.0, microphones_y);
    let mut taken = numbers;
    taken.push(Rect {
        from: (microphones.0 - 20.0, microphones.1 - 20.0),
        to: (microphones.0 + 64.0, microphones.1 + 4.0),
    });
    // Behind the player, where the tick is not.
    let behind = |mark: &Mark| (mark.at.0 - mark.tick.0, mark.at.1 - mark.tick.1);
    marked(sheet, plan, &Marks { seats: &marks, players: &players }, behind, seats, &taken)?;
    let pen = Pen::solid(BLUE, 3.0);
    for side in [-1.0, 1.0] {
        sheet.line(&[microphones, (microphones.0 + side * 14.0, microphones.1 - 12.0)], pen)?;
    }
    sheet.dot(microphones, 4.0, BLUE)?;
    sheet.text("microphones", (microphones.0 + 20.0, microphones.1 - 9.0), 13.0, Anchor::Left, BLUE)
}

/// Draws arcs of equal distance from the microphones, every 2 m, writes each distance on its arc, and returns where.
fn arcs(sheet: &Sheet, plan: &Panel, microphones_y: f64) -> Result<Vec<Rect>> {
    let farthest_m = plan.x.1.hypot(plan.y.1 - microphones_y);
    let pen = Pen::solid(FAINT, 1.0).with(SHORT_DASHES);
    let mut numbers = Vec::new();
    for index in 1..=(farthest_m / 2.0) as usize {
        let radius_m = index as f64 * 2.0;
        let mut run: Vec<(f64, f64)> = Vec::new();
        for step in 0..=720 {
            let angle = std::f64::consts::TAU * f64::from(step) / 720.0;
            let (x, y) = (radius_m * angle.sin(), microphones_y + radius_m * angle.cos());
            if x.abs() <= plan.x.1 && (0.0..=plan.y.1).contains(&y) {
                run.push(plan.place(x, y));
            } else if !run.is_empty() {
                sheet.line(&run, pen)?;
                run.clear();
            }
        }
        sheet.line(&run, pen)?;
        let (x, y) = plan.place(0.0, microphones_y + radius_m);
        if y - plan.from.1 > ARC_NUMBER {
            sheet.text(&format!("{radius_m} m"), (x, y - 2.0), 12.0, Anchor::Bottom, GREY)?;
            numbers.push(Rect::around((x, y - 9.0), 34.0, 16.0));
        }
    }
    Ok(numbers)
}

fn in_section(
    sheet: &Sheet,
    section: &Panel,
    microphones: (f64, f64),
    seats: &[Seated],
    sources: &[Source],
) -> Result<()> {
    sheet.fill(section.from, section.to, PANEL)?;
    let tick = Pen::solid(GREY, 1.0);
    let (left, right, bottom) = (section.from.0, section.to.0, section.to.1);
    for y in round_steps(0.0, section.x.1, 6.0) {
        let (at, below) = section.place(y, 0.0);
        sheet.line(&[(at, below), (at, below + 7.0)], tick)?;
        sheet.text(&format!("{y} m"), (at, below + 11.0), 13.0, Anchor::Top, GREY)?;
    }
    for z in round_steps(0.0, section.y.1, 5.0) {
        let (edge, at) = section.place(section.x.1, z);
        sheet.line(&[(edge, at), (edge + 7.0, at)], tick)?;
        sheet.text(&format!("{z} m"), (edge + 12.0, at), 13.0, Anchor::Left, GREY)?;
    }
    let middle = f64::midpoint(left, right);
    sheet.text("SECTION: depth from the front edge", (middle, bottom + 34.0), 14.0, Anchor::Top, BLUE)?;
    sheet.text("canopy", (middle, section.from.1 - 5.0), 13.0, Anchor::Bottom, GREY)?;
    let mark = |source: &Source, look_m: f64| {
        let (place, ahead) = (source.position, source.forward);
        let at = section.place(place.y, place.z);
        // Seen from the side, a player who looks across shows no tick; shorter than in plan, since rows
        // stand close.
        Mark { at, tick: section.place(place.y + ahead.y * look_m / 2.0, place.z) }
    };
    let marks: Vec<Mark> = sources.iter().map(|source| mark(source, LOOK_M)).collect();
    let players: Vec<Mark> =
        seats.iter().flat_map(Seated::players).map(|player| mark(&player, ONE_LOOK_M)).collect();
    let riser = Pen::solid(FAINT, 1.5);
    for (seated, source) in seats.iter().zip(sources) {
        let (depth_m, riser_m) = (source.position.y, seated.settings.seat.riser_m);
        let deepest_m = (depth_m + RISER_M).min(section.x.1);
        let corners =
            [(depth_m - RISER_M, 0.0), (depth_m - RISER_M, riser_m), (deepest_m, riser_m), (deepest_m, 0.0)];
        if riser_m > 0.0 {
            sheet.line(&corners.map(|(y, z)| section.place_inside(y, z)), riser)?;
        }
        sheet.line(&[section.place(depth_m, riser_m), section.place(depth_m, source.position.z)], riser)?;
    }
    let wall = Pen::solid(INK, 3.0);
    sheet.line(&[(left, bottom), section.to, (right, section.from.1), section.from], wall)?;
    sheet.line(&[section.from, (left, bottom)], Pen::solid(BLUE, 2.0).with(DASHED))?;

    let at = section.place(microphones.0, microphones.1);
    let taken = [Rect { from: (at.0 - 8.0, at.1 - 11.0), to: (at.0 + 66.0, at.1 + 11.0) }];
    marked(sheet, section, &Marks { seats: &marks, players: &players }, |_| (0.0, -1.0), seats, &taken)?;
    sheet.line(&[at, (at.0 + 16.0, at.1)], Pen::solid(BLUE, 3.0))?;
    sheet.dot(at, 4.0, BLUE)?;
    sheet.text("microphones", (at.0 + 22.0, at.1), 13.0, Anchor::Left, BLUE)
}

/// Where a seat and the end of its tick lie, points.
struct Mark {
    at: (f64, f64),
    tick: (f64, f64),
}

/// The marks of a view: a large one for each seat, a small one for each player of a section.
struct Marks<'a> {
    seats: &'a [Mark],
    players: &'a [Mark],
}

/// Draws ticks and letters, the letters in their direction where they are clear of each other and of what is taken.
fn marked(
    sheet: &Sheet,
    panel: &Panel,
    marks: &Marks,
    direction: impl Fn(&Mark) -> (f64, f64),
    seats: &[Seated],
    taken: &[Rect],
) -> Result<()> {
    let Marks { seats: marks, players } = *marks;
    let spots = spots(marks);
    let labels: Vec<String> = spots
        .iter()
        .map(|spot| spot.iter().map(|&index| seats[index].letter.as_str()).collect::<Vec<_>>().join(" "))
        .collect();
    let mut taken = taken.to_vec();
    for mark in marks {
        taken.push(Rect::around(mark.at, 2.0 * DOT + 2.0, 2.0 * DOT + 2.0));
        taken.push(Rect::spanning(mark.at, mark.tick));
    }
    taken.extend(players.iter().map(|player| Rect::around(player.at, 2.0 * ONE_DOT, 2.0 * ONE_DOT)));
    let wanted: Vec<Label> = spots
        .iter()
        .zip(&labels)
        .map(|(spot, label)| {
            let mark = &marks[spot[0]];
            // The typeface's capitals are about 0.7 as wide as high.
            let size = (label.chars().count() as f64 * LETTERING * 0.7 + 2.0, LETTERING + 2.0);
            Label { mark: mark.at, direction: direction(mark), size }
        })
        .collect();
    let bounds = Rect { from: panel.from, to: panel.to }.shrunk(4.0);
    let found = places(&wanted, &taken, bounds);
    for player in players {
        sheet.line(&[player.at, player.tick], Pen::solid(VERMILION, 1.5))?;
        sheet.dot(player.at, ONE_DOT, INK)?;
    }
    for mark in marks {
        sheet.line(&[mark.at, mark.tick], Pen::solid(VERMILION, 3.0))?;
        sheet.dot(mark.at, DOT, INK)?;
    }
    for ((label, place), spot) in labels.iter().zip(&found).zip(&spots) {
        let at = marks[spot[0]].at;
        let middle = place.middle();
        if (middle.0 - at.0).hypot(middle.1 - at.1) > 26.0 {
            sheet.line(&[at, place.nearest(at)], Pen::solid(GREY, 1.0))?;
        }
        sheet.fill(place.from, place.to, PANEL)?;
        sheet.text(label, middle, LETTERING, Anchor::Centre, INK)?;
    }
    Ok(())
}

/// Gathers the seats that fall on one spot of the paper.
fn spots(marks: &[Mark]) -> Vec<Vec<usize>> {
    let mut spots: Vec<Vec<usize>> = Vec::new();
    for (index, mark) in marks.iter().enumerate() {
        let near = |other: usize| {
            let at = marks[other].at;
            (at.0 - mark.at.0).hypot(at.1 - mark.at.1) < ONE_SPOT
        };
        match spots.iter_mut().find(|spot| near(spot[0])) {
            Some(spot) => spot.push(index),
            None => spots.push(vec![index]),
        }
    }
    spots
}

/// Writes an entry of the legend: letter, name, and where the seat is.
fn entry(sheet: &Sheet, top: f64, rows: usize, index: usize, seated: &Seated, source: &Source) -> Result<()> {
    let (column, row) = (index / rows.max(1), index % rows.max(1));
    let wide = (WIDTH - MARGINS.0 - MARGINS.2) / COLUMNS as f64;
    let (x, y) = (MARGINS.0 + wide * column as f64, top + ENTRY * row as f64 + 10.0);
    let ink: RGBColor = INK;
    sheet.text(&seated.letter, (x, y), LETTERING, Anchor::Left, ink)?;
    let mut name: String = seated.name.chars().take(LONGEST_NAME).collect();
    if seated.name.chars().count() > LONGEST_NAME {
        name.push('\u{2026}');
    }
    sheet.text(&name, (x + 36.0, y), 15.0, Anchor::Left, ink)?;
    let seat = &seated.settings.seat;
    let mut words = vec![format!("{:.2} m deep", source.position.y), beside(source.position.x)];
    if seat.players > 1 {
        words.insert(0, format!("{} players", seat.players));
    }
    if seat.riser_m > 0.0 {
        words.push(format!("riser {:.2} m", seat.riser_m));
    }
    if seat.facing_deg != 0.0 {
        words.push(format!("facing {}\u{b0}", short(seat.facing_deg.round())));
    }
    words.push(seat.family.name().into());
    sheet.text(&words.join(", "), (x + 36.0, y + 17.0), 12.0, Anchor::Left, GREY)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::Seat;

    fn seated(index: usize, depth_m: f64, bearing_deg: f64) -> Seated {
        Seated {
            letter: letter(index),
            name: format!("player {index}"),
            settings: Settings {
                seat: Seat { depth_m, bearing_deg, ..Seat::default() },
                ..Settings::default()
            },
        }
    }

    #[test]
    fn letters_go_on_after_z() {
        let letters = [0, 25, 26, 51, 52, 701, 702].map(letter);
        assert_eq!(letters, ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]);
    }

    #[test]
    fn the_sheet_is_drawn_whatever_the_seats() {
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("seats.png");
        draw(&picture, "Nobody", &[]).unwrap();
        draw(&picture, "Two", &[seated(0, 3.0, -40.0), seated(1, 25.0, 60.0)]).unwrap();
        let many: Vec<Seated> =
            (0..80).map(|n| seated(n, 1.0 + (n / 10) as f64 * 1.3, (n % 10) as f64 * 11.0 - 50.0)).collect();
        draw(&picture, "Eighty", &many).unwrap();
        assert!(std::fs::metadata(&picture).unwrap().len() > 20_000);
    }

    #[test]
    fn a_section_has_a_mark_for_each_player_and_one_player_none_beside_its_own() {
        let mut violins = seated(0, 4.0, -30.0);
        assert!(violins.players().is_empty());
        violins.settings.seat.players = 14;
        let players = violins.players();
        assert_eq!(players.len(), 14);
        let Settings { seat, platform, microphones, .. } = &violins.settings;
        let middle = seat.source(platform, microphones).position;
        assert!(players.iter().all(|player| (player.position - middle).length() < 1.5));
        let folder = tempfile::tempdir().unwrap();
        let drawn = |seats: &[Seated]| {
            let picture = folder.path().join("seats.png");
            draw(&picture, "Violins", seats).unwrap();
            std::fs::read(picture).unwrap()
        };
        let one = drawn(&[seated(0, 4.0, -30.0)]);
        assert!(drawn(&[violins]) != one, "a section looks like one player");
    }

    #[test]
    fn seats_on_one_spot_share_a_label() {
        let mark = |x: f64| Mark { at: (x, 10.0), tick: (x, 20.0) };
        assert_eq!(spots(&[mark(0.0), mark(100.0), mark(2.0)]), [vec![0, 2], vec![1]]);
    }
}

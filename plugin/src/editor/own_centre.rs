//! Where the picture of a stereo channel has its own centre, and what brings it to the seat.

use egui::{Align2, Id, Pos2, Rect, Role, Sense, Ui, WidgetInfo, pos2};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Spot, energy_of_db};
use rostra_dsp::settings::{BEARING, LEAN};

use super::bearing_rule::{Rule, bearing_deg};
use super::figures;
use super::pen::{Pen, SMALL, area};
use super::seat_view::SeatView;
use super::values::{Edit, Values};

/// What the words on the lean are, and what the button beside them does.
const LEANS: &str = "How much stronger one side of this channel is than the other as it was recorded, over the last seconds. The open diamond on the rule is where the centre of its picture lies.";
const TAKEN_OUT: &str = "Sets 'Picture leans' to what was heard, so that the picture lies at the seat. A picture made by times of arrival between the sides stays.";
/// Lean under which nothing is to be taken out, dB: half of what is shown.
const LEAST_DB: f64 = 0.05;
/// Half the height of the mark.
const MARK: f32 = 4.0;

/// Draws the mark, says how far the channel leans, and offers to take it out; `lean_db` is what the channel was heard to have.
pub(super) fn show(
    ui: &Ui,
    pen: &Pen,
    part: Rect,
    lean_db: f64,
    view: &SeatView,
    values: &Values,
    edits: &mut Vec<Edit>,
) {
    let rest_db = lean_db - values.value(LEAN);
    let rule = Rule::new(part);
    let centre_deg = centre_deg(rest_db, view);
    let (low, high) = BEARING.range();
    if (low..=high).contains(&centre_deg) {
        mark(pen, rule.place(centre_deg));
    }
    let text = words(lean_db, rest_db);
    let right = part.right() - 66.0;
    let row = area(right - 330.0, part.top() - 1.0, 324.0, 13.0);
    let said = ui.interact(pen.rect(row), Id::unique("own centre"), Sense::hover());
    said.widget_info(|| WidgetInfo::labeled(Role::Label, true, text.as_str()));
    pen.text(pos2(row.right(), row.top()), Align2::RIGHT_TOP, SMALL, pen.ink.faint, &text);
    figures::show_tip(said, LEANS, pen);
    let wanted_db = LEAN.on_grid(lean_db);
    if (wanted_db - values.value(LEAN)).abs() < LEAST_DB {
        return;
    }
    let place = area(right, part.top() - 2.0, 66.0, 13.0);
    let control = figures::small_button(ui, pen, place, "Take it out");
    if control.clicked() {
        edits.extend(Edit::whole(LEAN, wanted_db));
    }
    figures::show_tip(control, TAKEN_OUT, pen);
}

fn mark(pen: &Pen, at: Pos2) {
    let corners = [(0.0, -MARK), (MARK, 0.0), (0.0, MARK), (-MARK, 0.0)];
    pen.outline(&corners.map(|(x, y)| at + egui::vec2(x, y)), pen.ink.paper, 1.1, pen.ink.line);
}

/// Says how far the channel leans, and what is left of it.
fn words(lean_db: f64, rest_db: f64) -> String {
    let side = |db: f64| if db < 0.0 { "left" } else { "right" };
    let leans = format!("this channel leans {:.1} dB {}", lean_db.abs(), side(lean_db));
    match (lean_db.abs() < LEAST_DB, rest_db.abs() < LEAST_DB) {
        (true, true) => "this channel's picture lies in its middle".to_owned(),
        (false, true) => format!("{leans}, taken out"),
        (_, false) if rest_db == lean_db => leans,
        (_, false) => format!("{leans}; {:.1} dB {} remain", rest_db.abs(), side(rest_db)),
    }
}

/// Returns the bearing of the centre of a picture that leans so far, degrees: the middle of the energy of both ends.
fn centre_deg(rest_db: f64, view: &SeatView) -> f64 {
    let right = energy_of_db(rest_db);
    let Settings { seat, platform, microphones, .. } = &view.settings;
    let across_m = 0.5 * seat.width_m * (right - 1.0) / (right + 1.0);
    bearing_deg(&seat.source_on(Spot { across_m, behind_m: 0.0 }, platform, microphones), view)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_of_a_lean_is_told() {
        for (lean_db, rest_db, expected) in [
            (0.0, 0.0, "this channel's picture lies in its middle"),
            (-4.2, -4.2, "this channel leans 4.2 dB left"),
            (3.0, 0.0, "this channel leans 3.0 dB right, taken out"),
            (-4.2, 1.0, "this channel leans 4.2 dB left; 1.0 dB right remain"),
            (0.0, -2.0, "this channel leans 0.0 dB right; 2.0 dB left remain"),
        ] {
            assert_eq!(words(lean_db, rest_db), expected);
        }
    }

    #[test]
    fn a_picture_in_its_middle_lies_at_the_seat_and_one_side_alone_at_its_end() {
        let mut settings = Settings::default();
        settings.seat.bearing_deg = 20.0;
        settings.seat.width_m = 4.0;
        let view = SeatView::of(&settings);
        assert!((centre_deg(0.0, &view) - 20.0).abs() < 1e-9);
        let [left, right] = view.ends.each_ref().map(|end| bearing_deg(end, &view));
        assert!((centre_deg(-100.0, &view) - left).abs() < 1e-3);
        assert!((centre_deg(100.0, &view) - right).abs() < 1e-3);
        assert!(centre_deg(-6.0, &view) < 18.0);
    }
}

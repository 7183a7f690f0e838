//! Every parameter as seat, platform and hall files hold it.

use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{Kind as Is, List, Parameter, Tabled};
use rostra_files::{Field, HALL, Kind, Table, Values};

/// Returns what a kind of files may set.
pub fn table(kind: Kind) -> Table {
    Table::of(kind, &if kind == HALL { fields::<Hall>() } else { fields::<Settings>() })
}

/// Returns every parameter of a table, in its order.
pub fn fields<S: Tabled>() -> Vec<Field> {
    S::parameters().map(field).collect()
}

fn field(parameter: &Parameter) -> Field {
    let Parameter { id, old_ids, name, group, .. } = parameter;
    let values = match &parameter.kind {
        Is::Number(number) => Values::Numbers {
            range: number.range,
            decimals: number.unit.decimals(),
            unit: number.unit.suffix().trim().to_owned(),
            top: number.top_word.map(str::to_owned),
        },
        Is::List(list) => Values::Names(list.names().map(str::to_owned).collect()),
        Is::Switch => Values::Names(["off", "on"].map(str::to_owned).into()),
    };
    Field {
        id: (*id).to_owned(),
        old_ids: old_ids.iter().map(|&id| id.to_owned()).collect(),
        name: (*name).to_owned(),
        group: group.name().to_owned(),
        values,
        old_names: parameter.list().map(old_names).unwrap_or_default(),
    }
}

/// Returns what entries were called before, each with its place.
fn old_names(list: &List) -> Vec<(String, usize)> {
    let entries = list.entries.iter().enumerate();
    entries.flat_map(|(place, entry)| entry.old_ids.iter().map(move |&old| (old.to_owned(), place))).collect()
}

#[cfg(test)]
mod tests {
    use rostra_dsp::settings::Group;
    use rostra_files::{Contents, Entry, HALL, PLATFORM, SEAT, Value};

    use super::*;
    use crate::platform_link::SHARED_IDS;

    #[test]
    fn every_parameter_is_of_a_seat_or_of_a_platform_but_for_three_of_the_session() {
        let ids = |table: &Table| table.fields.iter().map(|field| field.id.clone()).collect::<Vec<_>>();
        let (seat, platform) = (ids(&table(SEAT)), ids(&table(PLATFORM)));
        let of_a_seat = |known: &&Parameter| matches!(known.group, Group::Seat | Group::Tone | Group::Level);
        assert!(
            Settings::parameters()
                .filter(of_a_seat)
                .map(|known| known.id)
                .eq(seat.iter().map(String::as_str))
        );
        assert!(["depth", "width", "close", "trim"].iter().all(|id| seat.iter().any(|known| known == id)));
        // A platform file sets what a linked platform shares.
        assert_eq!(platform, SHARED_IDS);
        let others: Vec<String> = fields::<Settings>()
            .into_iter()
            .map(|field| field.id)
            .filter(|id| !seat.contains(id) && !platform.contains(id))
            .collect();
        assert_eq!(others, ["link", "dry", "bypass"]);
        let of_hall = ids(&table(HALL));
        assert!(Hall::parameters().map(|known| known.id).filter(|id| *id != "bypass").eq(of_hall));
    }

    #[test]
    fn ids_and_words_of_before_are_read_and_those_of_today_written() {
        for (kind, old, today) in [
            (SEAT, "family = \"even\"", "family = \"omnidirectional\"\n"),
            (SEAT, "family = \"skin\"", "family = \"drumhead\"\n"),
            (
                PLATFORM,
                "pickup = \"spaced omnis\"\npick_y = 1.5\npick_z = 4",
                "mics = \"spaced omnis\"\nmics_y = 1.5\nmics_z = 4.0\n",
            ),
        ] {
            let table = table(kind);
            let read = |text: &str| Contents::parse(text.as_bytes(), "old.toml", &table).expect("it is read");
            assert_eq!(read(old).text(&table), today);
            let bare = |text: &str| {
                read(text)
                    .entries
                    .into_iter()
                    .map(|Entry { id, value, .. }| (id, value))
                    .collect::<Vec<(String, Value)>>()
            };
            assert_eq!(bare(old), bare(today));
        }
        let twice = Contents::parse(b"pick_y = 1.5\nmics_y = 2.0", "twice.toml", &table(PLATFORM));
        assert!(twice.expect_err("set twice").to_string().contains("twice"));
    }
}

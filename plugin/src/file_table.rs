//! Every parameter as seat, platform and hall files hold it.

use nice_plug::prelude::Params as _;
use rostra_files::{Field, HALL, Kind, Table, Values};

use crate::editor::values::{List, Switch};
use crate::hall::parameters::{HALL_NUMBERS, HallParameters};
use crate::parameters::{NUMBERS, Parameters};
use crate::quantity::{Number, OFF, Spread};

/// Returns what a kind of files may set.
pub fn table(kind: Kind) -> Table {
    Table::of(kind, &if kind == HALL { hall_fields() } else { fields() })
}

/// Returns every parameter of the hall; its numbers are one group.
fn hall_fields() -> Vec<Field> {
    let map = HallParameters::default().param_map();
    let field = |id: String| match HALL_NUMBERS.into_iter().find(|number| number.id == id) {
        Some(number) => Field {
            id,
            name: number.name.to_owned(),
            group: HALL.groups[0].to_owned(),
            values: values_of(number),
        },
        // The rest is switches, which belong to the session.
        None => Field { name: id.clone(), id, group: String::new(), values: Values::Names(Vec::new()) },
    };
    map.into_iter().map(|(id, ..)| field(id)).collect()
}

/// Returns every parameter of a seat's instance, in the order and in the groups in which hosts list them.
pub fn fields() -> Vec<Field> {
    let map = Parameters::default().param_map();
    map.into_iter().filter_map(|(id, _, group)| Some(Field { group, ..field(&id)? })).collect()
}

fn field(id: &str) -> Option<Field> {
    let field =
        |name: &str, values| Field { id: id.to_owned(), name: name.to_owned(), group: String::new(), values };
    let names = |names: &[&str]| Values::Names(names.iter().map(|&name| name.to_owned()).collect());
    if let Some(number) = NUMBERS.into_iter().find(|number| number.id == id) {
        return Some(field(number.name, values_of(number)));
    }
    if let Some(list) = List::ALL.into_iter().find(|list| list.id() == id) {
        return Some(field(list.name(), names(list.entries())));
    }
    let switch =
        [("dry", Switch::Dry), ("bypass", Switch::Bypass)].into_iter().find(|(known, _)| *known == id);
    switch.map(|(_, switch)| field(switch.name(), names(&["off", "on"])))
}

fn values_of(number: &Number) -> Values {
    Values::Numbers {
        range: number.range,
        decimals: number.unit.decimals(),
        unit: number.unit.suffix().trim().to_owned(),
        top: (number.spread == Spread::LogarithmicTopIsOff).then(|| OFF.to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use rostra_files::{HALL, PLATFORM, SEAT};

    use super::*;
    use crate::platform_link::SHARED_IDS;

    #[test]
    fn every_parameter_is_of_a_seat_or_of_a_platform_but_for_three_of_the_session() {
        let ids = |table: &Table| table.fields.iter().map(|field| field.id.clone()).collect::<Vec<_>>();
        let (seat, platform) = (ids(&table(SEAT)), ids(&table(PLATFORM)));
        assert_eq!(
            seat,
            [
                "depth", "bearing", "riser", "facing", "family", "width", "close", "lowmid_f", "lowmid_g",
                "balance", "law", "trim"
            ]
        );
        // A platform file sets what a linked platform shares.
        assert_eq!(platform, SHARED_IDS);
        let others: Vec<String> = fields()
            .into_iter()
            .map(|field| field.id)
            .filter(|id| !seat.contains(id) && !platform.contains(id))
            .collect();
        assert_eq!(others, ["link", "dry", "bypass"]);
        assert_eq!(ids(&table(HALL)), HALL_NUMBERS.map(|number| number.id));
    }
}

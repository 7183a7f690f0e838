//! What hosts show of parameters: lists as lists, units as units, no pages where there are none.

use clack_extensions::params::ParamInfoFlags;
use clack_extensions::remote_controls::PluginRemoteControls;
use vst3::Steinberg::Vst::ParameterInfo_::ParameterFlags_;

use super::clap_host::Clap;
use super::raw_vst3::{HALL, SEAT, text};
use super::vst3_host::raw;

/// The lists of a seat; a hall has none.
const LISTS: [&str; 8] = [
    "Radiation",
    "Recorded from",
    "Floor",
    "Rear wall",
    "Side walls",
    "Canopy",
    "Main microphones",
    "Platform link",
];

#[test]
fn lists_are_told_as_lists_in_both_formats() {
    for (class, id) in [(SEAT, c"rostra.seat"), (HALL, c"rostra.hall")] {
        let mut lists = 0;
        for info in raw(&class).parameters() {
            let name = text(&info.title);
            let is_list = info.flags & ParameterFlags_::kIsList != 0;
            assert_eq!(is_list, LISTS.contains(&name.as_str()), "VST3: {name}");
            lists += usize::from(is_list);
            let unit = text(&info.units);
            assert_eq!(unit.trim(), unit, "{name}: '{unit}'");
        }
        for parameter in Clap::of(id).parameters() {
            let is_list = parameter.flags.contains(ParamInfoFlags::IS_ENUM);
            assert_eq!(is_list, LISTS.contains(&parameter.name.as_str()), "CLAP: {}", parameter.name);
            lists += usize::from(is_list);
        }
        assert_eq!(lists, if class == SEAT { 2 * LISTS.len() } else { 0 });
    }
}

#[test]
fn no_pages_are_promised_where_there_are_none() {
    for id in [c"rostra.seat", c"rostra.hall"] {
        let clap = Clap::of(id);
        let pages = clap.plugin.plugin_shared_handle().get_extension::<PluginRemoteControls>();
        assert!(pages.is_none(), "{id:?}");
    }
}

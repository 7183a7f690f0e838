//! Wishes turned into what the plug-in is set to, and a recording rendered so.

use anyhow::{Result, anyhow, bail};
use clack_host::utils::ClapId;
use rostra_host::Instance;

use crate::parameter::{Parameter, Plain, Values, Wish, find, id_of_name, leading_number};
use crate::recording::Recording;

/// A parameter set to a value: in plain words, and as the plug-in counts it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Setting {
    /// Our id.
    pub(crate) id: &'static str,
    /// In plain words.
    pub(crate) plain: Plain,
    /// The host's number of the parameter.
    clap_id: ClapId,
    /// The host's value.
    clap_value: f64,
}

/// Asks the plug-in for its parameters.
///
/// # Errors
/// When it has one that this program does not know.
pub(crate) fn parameters(instance: &mut Instance) -> Result<Vec<Parameter>> {
    instance
        .parameters()?
        .into_iter()
        .map(|described| {
            let (name, clap_id) = (&described.name, described.id);
            let id = id_of_name(name).ok_or_else(|| {
                anyhow!("the plug-in has a parameter \"{name}\" that this program does not know; take a program and a plug-in of one version")
            })?;
            let (least, most) = (described.least, described.most);
            let values = if described.is_stepped {
                let steps = least.round() as i64..=most.round() as i64;
                let mut names: Vec<String> =
                    steps.map(|step| instance.text_of(clap_id, step as f64)).collect::<Result<_>>()?;
                // The places behind the entries are kept for later ones, and no choice.
                names.retain(|name| !name.starts_with("unused "));
                Values::Choices(names)
            } else {
                numbers(instance, clap_id, least, most)?
            };
            Ok(Parameter { id, name: described.name, group: described.group, clap_id, values })
        })
        .collect()
}

/// Returns the default of a parameter, as the plug-in writes it.
///
/// # Errors
/// When it has no such parameter.
pub(crate) fn default_text(instance: &mut Instance, id: &str) -> Result<String> {
    let found = instance.parameters()?.into_iter().find(|described| id_of_name(&described.name) == Some(id));
    let found = found.ok_or_else(|| anyhow!("the plug-in has no parameter \"{id}\""))?;
    instance.text_of(found.id, found.default)
}

fn numbers(instance: &mut Instance, clap_id: ClapId, least: f64, most: f64) -> Result<Values> {
    let ends = [instance.text_of(clap_id, least)?, instance.text_of(clap_id, most)?];
    let (low, high) =
        (number_at_end(instance, clap_id, least, most)?, number_at_end(instance, clap_id, most, least)?);
    Ok(Values::Numbers { least: low, most: high, ends })
}

/// Returns the number at the end `end` of a range that goes on to `other`.
///
/// An end may be a word ("off"): then it stands one shown step beyond the
/// last number before it.
fn number_at_end(instance: &mut Instance, clap_id: ClapId, end: f64, other: f64) -> Result<f64> {
    for share in [0.0, 1e-4, 1e-3, 1e-2] {
        let text = instance.text_of(clap_id, end + (other - end) * share)?;
        let Some((number, unit)) = leading_number(&text) else { continue };
        if share == 0.0 {
            return Ok(number);
        }
        let shown = text.trim_end_matches(unit).trim();
        let decimals = shown.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let step = 10_f64.powi(-(decimals as i32));
        return Ok(if end > other { number + step } else { number - step });
    }
    bail!("the plug-in shows no number near \"{}\"", instance.text_of(clap_id, end)?)
}

/// Turns wishes into settings, the later ones winning.
///
/// # Errors
/// When a wish names no parameter, or a value that the parameter cannot have.
pub(crate) fn settings(
    instance: &mut Instance,
    parameters: &[Parameter],
    wishes: &[Wish],
) -> Result<Vec<Setting>> {
    let mut settings: Vec<Setting> = Vec::new();
    for wish in wishes {
        let parameter = find(parameters, wish)?;
        let (plain, text) = parameter.read(wish)?;
        let clap_value = instance
            .value_of(parameter.clap_id, &text)
            .ok_or_else(|| anyhow!("{}: the plug-in does not take \"{}\"", wish.from, wish.value))?;
        settings.retain(|setting| setting.id != parameter.id);
        settings.push(Setting { id: parameter.id, plain, clap_id: parameter.clap_id, clap_value });
    }
    Ok(settings)
}

/// Renders a recording and its tail through an instance, to as many channels; `progress` is told the input frames of every block.
///
/// # Errors
/// As [`Instance::render`].
pub(crate) fn render(
    mut instance: Instance,
    settings: &[Setting],
    input: &Recording,
    outputs: usize,
    progress: &dyn Fn(usize),
) -> Result<Recording> {
    let values: Vec<_> = settings.iter().map(|setting| (setting.clap_id, setting.clap_value)).collect();
    instance.set(&values)?;
    let channels = instance.render(&input.channels, outputs, input.rate_hz, progress)?;
    Ok(Recording { rate_hz: input.rate_hz, channels })
}

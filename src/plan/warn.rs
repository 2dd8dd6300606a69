//! What the operator should know, and what can hurt.

use super::Worksheet;
use super::work::{SAFE_SHARE, Work};
use crate::bath::{Agitation, Bath, Caution, CautionOf};
use crate::part::{Load, Part, Shape};
use crate::process::{End, Hold};
use crate::quantity::Span;

/// For people: "with air".
pub(super) fn agitation(agitation: Agitation) -> &'static str {
    match agitation {
        Agitation::Still => "without agitation",
        Agitation::Rod => "with a moving bar",
        Agitation::Air => "with air",
        Agitation::Vigorous => "with vigorous agitation",
    }
}

/// Cautions: the bath's own and those of every tank. Never shortened.
pub(super) fn cautions(bath: &Bath) -> Vec<Caution> {
    let tank = |text: &str| Caution { text: text.into(), of: CautionOf::Tank };
    let mut all = vec![tank(
        "The software is not a safety interlock: it can fail, and so can the link. Have a switch within reach that \
         cuts the supply without it, and do not leave a running tank alone.",
    )];
    all.extend(bath.cautions.iter().cloned());
    if bath.cyanide {
        let text = "Cyanide: acid frees hydrogen cyanide, which kills. Keep acids, acid drag-out and their drains apart \
                    from this tank.";
        all.push(Caution { text: text.into(), of: CautionOf::Bath });
    }
    all.push(tank(
        "The chemicals' safety data sheets, local codes and, where they ask for one, a licensed practitioner come \
         before anything this sheet says. Eye protection and gloves at the tank; no food there.",
    ));
    all
}

/// What the worksheet says of a supply that nobody has tried, or that did not do as it should; `None` if it did.
pub fn supply_warning(station: &str, commissioned: Option<(&str, bool)>) -> Option<String> {
    match commissioned {
        Some((_, true)) => None,
        Some((when, false)) => Some(format!(
            "The supply of station {station} did not do as it should when it was commissioned ({when}): mend that and \
             commission it again before anything hangs in a tank."
        )),
        None => Some(format!(
            "The supply of station {station} was never commissioned: whether it sets what it is told, trips and \
             switches off is not known. Commission it first, on a resistor or shorted leads: the README tells how."
        )),
    }
}

/// Warnings: it can be done, but.
pub(super) fn warnings(work: &Work<'_>, sheet: &Worksheet, load: &Load) -> Vec<String> {
    let u = work.units;
    let mut all = Vec::new();
    let (low, high) = sheet.window;
    let density = sheet.density;
    if density < low {
        all.push(format!(
            "{} is below the bath's window ({} to {}): slow, and recesses may stay bare or dull.",
            density.show(u),
            low.show(u),
            high.show(u)
        ));
    }
    if density > high {
        all.push(format!(
            "{} is above the bath's window ({} to {}): expect rough or dark edges.",
            density.show(u),
            low.show(u),
            high.show(u)
        ));
    }
    match sheet.burn_density {
        Some(burn) if sheet.edge_density > burn => all.push(format!(
            "Edges would see {} and burn at about {} {}: dark, hard edges. Hold at most {}, \
              or move the solution more. A start is refused, unless whoever starts it says that they know it.",
            sheet.edge_density.show(u),
            burn.show(u),
            agitation(sheet.agitation),
            sheet.fastest.show(u)
        )),
        Some(burn) if density > sheet.fastest && sheet.edge_density > burn * SAFE_SHARE => all.push(format!(
            "Edges come within a fifth of burning ({} of {}); area and edge factor are not \
             known that well.",
            sheet.edge_density.show(u),
            burn.show(u)
        )),
        None if work.bath.metal.is_some() => {
            all.push("Where this bath burns is not known: watch the edges for darkening.".into());
        }
        _ => {}
    }
    for row in sheet.at_once.iter().filter(|row| row.area.is_none()) {
        all.push(format!(
            "How much may hang at once: {}.",
            row.why.replace("cannot judge:", "cannot judge,")
        ));
    }
    if load.parts().iter().any(|p| p.shape().has_inside()) {
        all.push(
            "The inside of a tube gets little: the metal goes mostly where the anode looks. \
              The mean thickness will not be reached inside without an inner anode."
                .into(),
        );
    }
    if load.parts().iter().any(|p| matches!(p.shape(), Shape::Area(_))) {
        all.push(
            "An area was given as a number. It is taken as all the wetted metal of one \
             part: if it was one face only, the current is too low by half or more."
                .into(),
        );
    }
    for part in load.parts() {
        if let Shape::Mesh(mesh) = part.shape()
            && mesh.odd > 0
        {
            all.push(format!(
                "The mesh of {} has {} triangle{} without area, against their normals or facing inward: its area \
                 is sound, but look at the drawing.",
                part.name().unwrap_or("the part"),
                mesh.odd,
                if mesh.odd == 1 { "" } else { "s" }
            ));
        }
    }
    let nickel = work.metal.is_some_and(|(metal, _)| metal.symbol == "Ni");
    if nickel && sheet.agitation == Agitation::Still && sheet.time > Span::new(300.0) {
        all.push(format!(
            "{} of nickel without agitation: beyond 5 to 10 min use air or stir.",
            sheet.time.show(u)
        ));
    }
    if work.metal.is_some_and(|(metal, _)| metal.symbol == "Au") {
        all.push(
            "Gold baths change their efficiency with small changes of metal, pH, heat and \
             agitation: weigh a part before trusting the thickness."
                .into(),
        );
    }
    if let (Some(thickness), true, true) =
        (sheet.thickness, load.edge_factor() >= 1.5, sheet.target.is_some())
    {
        all.push(format!("Edges get up to about {}: see that they still fit.", thickness.edge.show(u)));
    } else if let (Some(thickness), true) = (sheet.thickness, load.edge_factor() >= 1.5) {
        all.push(format!(
            "Thickness is the mean over all that takes current. Edges get up to about {}; \
             flat faces and recesses less than the mean. A standard's minimum counts where \
             it is thinnest.",
            thickness.edge.show(u)
        ));
    }
    if let Some(usual) = work.bath.volts {
        if sheet.volts < usual.low {
            all.push(format!(
                "{} is less than this tank usually takes ({} to {}): the current may not be reached.",
                sheet.volts.show(u),
                usual.low.show(u),
                usual.high.show(u)
            ));
        }
        if sheet.volts > usual.high {
            all.push(format!(
                "{} is more than this tank usually takes ({} to {}): edges build up faster than the field.",
                sheet.volts.show(u),
                usual.low.show(u),
                usual.high.show(u)
            ));
        }
    } else if work.request.ceiling.is_none() && !matches!(work.request.hold, Some(Hold::Voltage(_))) {
        all.push(format!(
            "The bath file gives no usual voltage: the ceiling is the supply's own {}.",
            sheet.volts.show(u)
        ));
    }
    if matches!(work.request.hold, Some(Hold::Voltage(_))) {
        let by_time = matches!(work.request.end, End::Time(_));
        all.push(format!(
            "With a voltage held the current is what the tank takes: {} is a guess, {}.",
            sheet.current.show(u),
            if by_time { "and so is the thickness" } else { "and so is the time" }
        ));
    }
    if let Some(most) = work.request.ceiling_amps.filter(|most| *most > sheet.fastest * sheet.area) {
        all.push(format!(
            "The ceiling of {} lets the density rise to {}, above the fastest safe {}.",
            most.show(u),
            (most / sheet.area).show(u),
            sheet.fastest.show(u)
        ));
    }
    if sheet.time / f64::from(sheet.faces) <= sheet.ramp {
        all.push(format!(
            "It ends before the ramp of {} has reached the setpoint: a shorter ramp, or a lower setpoint.",
            sheet.ramp.show(u)
        ));
    }
    if let Some(usual) =
        work.bath.treat_time.filter(|usual| sheet.time < usual.low || sheet.time > usual.high)
    {
        all.push(format!(
            "{} is outside this bath's usual {} to {}.",
            sheet.time.show(u),
            usual.low.show(u),
            usual.high.show(u)
        ));
    }
    if sheet.load_count > 1 {
        let last = sheet.loads.last().map_or(sheet.current, |row| row.current);
        if last < sheet.current {
            all.push(format!(
                "The last load is smaller and takes {}: plan it anew, do not run it with this order.",
                last.show(u)
            ));
        }
    }
    let by_file = sheet.efficiency.map(|e| e.used.get());
    all.extend(super::own::notes(&work.tank.own, by_file, density, u));
    if let Some(part) = load
        .parts()
        .iter()
        .filter(|p| !p.edge_factor_given())
        .max_by(|a, b| a.edge_factor().total_cmp(&b.edge_factor()))
    {
        all.push(edge_note(part));
    }
    all
}

/// Where the edge factor comes from.
fn edge_note(part: &Part) -> String {
    let basis = match part.shape() {
        Shape::Plate(_) | Shape::Disc(_) | Shape::Washer(_) => "computed for a flat plate between two anodes",
        _ => "from memory for such shapes",
    };
    format!(
        "The edge factor {} is {basis}, not measured on this rack: parts that you \
             measure afterwards tell better.",
        part.edge_factor()
    )
}

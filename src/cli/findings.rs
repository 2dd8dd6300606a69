//! What a person measured: a bath, a panel, parts; and asking why a run came out as it did.

use super::client::{Client, escape};
use super::order::read;
use super::runs::run_id;
use super::say::{say, wrap};
use super::show::json_out;
use crate::host::{Done, Failure};
use crate::quantity::{Area, Length, Mass};
use clap::Args;
use serde_json::{Value, json};

#[derive(Debug, Args)]
pub(crate) struct TankTestArgs {
    /// What was found: "nickel=68 g/L, chloride=14 g/L, boric-acid=38 g/L, pH=4.2"; titrations may stand in it too
    #[arg(long, value_name = "FIGURES", requires = "tank")]
    pub analysis: Option<String>,
    /// A titration: "nickel: 23.2 mL EDTA 0.1 M, sample 2 mL", or with your method's factor "nickel: 23.2 mL * 2.93 g/L"
    #[arg(long, value_name = "READING", requires = "tank")]
    pub titration: Vec<String>,
    /// A Hull panel: "267 mL 2 A 5 min, burnt to 12 mm, dull from 70 mm", from the high edge
    #[arg(long, value_name = "PANEL", requires = "tank", conflicts_with_all = ["analysis", "titration"])]
    pub panel: Option<String>,
    /// What was odd about it
    #[arg(long, value_name = "TEXT", requires = "tank")]
    pub remark: Option<String>,
    /// Work it out, write nothing
    #[arg(long, requires = "tank")]
    pub only_show: bool,
    /// The analyses on record, newest first
    #[arg(long, requires = "tank", conflicts_with_all = ["analysis", "titration", "panel"])]
    pub analyses: bool,
}

impl TankTestArgs {
    /// Whether it is an analysis or a panel that is meant, not the tank's account.
    pub(crate) fn meant(&self) -> bool {
        self.analyses || self.analysis.is_some() || !self.titration.is_empty() || self.panel.is_some()
    }
}

#[derive(Debug, Args)]
pub(crate) struct MeasureArgs {
    /// The run's id, the beginning of it, or "last"
    pub run: String,
    /// A reading of thickness; each with its --at
    #[arg(long, value_name = "THICKNESS")]
    pub thickness: Vec<String>,
    /// Where that was: edge, face, hollow, or a name of your own
    #[arg(long, value_name = "PLACE")]
    pub at: Vec<String>,
    /// How: xrf, coulometric, section, micrometer
    #[arg(long, value_name = "METHOD")]
    pub method: Option<String>,
    /// All that was on the scale, before plating
    #[arg(long, value_name = "MASS", requires = "weight_after")]
    pub weight_before: Option<String>,
    /// The same, after plating, rinsed and dried
    #[arg(long, value_name = "MASS", requires = "weight_before")]
    pub weight_after: Option<String>,
    /// How many of the run's parts were on the scale [default: all]
    #[arg(long, value_name = "PARTS", requires = "weight_before")]
    pub weighed: Option<u32>,
    /// Area of what was weighed, rack and tips not [default: its share of the run's, rack included]
    #[arg(long, requires = "weight_before")]
    pub area: Option<String>,
    /// What was odd about it
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Take the last measurement of this run back; it stays on record as taken back
    #[arg(long, conflicts_with_all = ["thickness", "weight_before"])]
    pub undo: bool,
}

/// An analysis or a panel of a tank; without either, the analyses on record.
pub(crate) fn tank(client: &Client, tank: &str, args: &TankTestArgs, by: &str, json: bool) -> Done {
    let tank = escape(tank);
    let send = |what: &str, entered: &str| {
        let body = json!({
            "by": by, "entered": entered, "note": args.remark, "only_show": args.only_show,
        });
        client.post(&format!("/api/v1/tanks/{tank}/{what}"), &body)
    };
    if let Some(panel) = &args.panel {
        return told(&send("panel", panel)?, json);
    }
    let found: Vec<&str> = args.analysis.iter().chain(&args.titration).map(String::as_str).collect();
    if !found.is_empty() {
        return told(&send("analysis", &found.join("; "))?, json);
    }
    let all = client.get(&format!("/api/v1/tanks/{tank}/analysis"))?;
    if json {
        return json_out(&all);
    }
    let rows = all.as_array().into_iter().flatten().map(|a| {
        let figures = a["found"].as_array().into_iter().flatten().map(|f| {
            let unit = if f["unit"] == "ph" { "" } else { " g/L" };
            let value = f["value"].as_f64().unwrap_or(0.0);
            format!("{} {}{unit}", f["what"].as_str().unwrap_or_default(), (value * 100.0).round() / 100.0)
        });
        format!(
            "{}  {:>8.1} A·h  {}  {}\n",
            a["at"].as_str().unwrap_or_default().split('T').next().unwrap_or_default(),
            a["ampere-hours"].as_f64().unwrap_or(0.0),
            a["by"].as_str().unwrap_or_default(),
            figures.collect::<Vec<_>>().join(", ")
        )
    });
    let rows: String = rows.collect();
    say(if rows.is_empty() { "no analysis of this bath is on record\n" } else { &rows });
    Ok(())
}

pub(crate) fn measure(client: &Client, args: &MeasureArgs, by: &str, json: bool) -> Done {
    let body = if args.undo { json!({ "by": by }) } else { measured(args, by)? };
    let id = run_id(client, &args.run)?;
    let end = if args.undo { "/undo" } else { "" };
    let answer = client.post(&format!("/api/v1/runs/{id}/measured{end}"), &body)?;
    if args.undo && !json {
        say(&format!("{}\n", answer["said"].as_str().unwrap_or_default()));
        return Ok(());
    }
    told(&answer, json)
}

fn measured(args: &MeasureArgs, by: &str) -> Result<Value, Failure> {
    let mut wrong = Vec::new();
    if args.thickness.len() != args.at.len() {
        wrong.push(format!(
            "--at: {} for {} of --thickness; say for each where it was: edge, face, hollow, or a name",
            args.at.len(),
            args.thickness.len()
        ));
    }
    let readings: Vec<Value> = args
        .thickness
        .iter()
        .zip(&args.at)
        .filter_map(|(t, at)| {
            Some(json!({ "thickness": read::<Length>("thickness", t, &mut wrong)?, "at": at }))
        })
        .collect();
    let mut mass = |flag: &str, text: &Option<String>| {
        text.as_ref().and_then(|text| read::<Mass>(flag, text, &mut wrong))
    };
    let before = mass("weight-before", &args.weight_before);
    let after = mass("weight-after", &args.weight_after);
    let area = args.area.as_ref().and_then(|text| read::<Area>("area", text, &mut wrong));
    if let Some(method) = &args.method
        && !["xrf", "coulometric", "section", "micrometer"].contains(&method.as_str())
    {
        wrong.push(format!("--method {method:?}: xrf, coulometric, section or micrometer"));
    }
    if !wrong.is_empty() {
        return Err(Failure::usage(wrong.join("\n")));
    }
    Ok(json!({
        "by": by, "readings": readings, "method": args.method, "weight_before": before, "weight_after": after,
        "weighed": args.weighed, "area": area, "note": args.note,
    }))
}

pub(crate) fn advise(client: &Client, run: &str, saw: &str, json: bool) -> Done {
    let id = run_id(client, run)?;
    told(&client.get(&format!("/api/v1/runs/{id}/advice?saw={}", escape(saw)))?, json)
}

/// The daemon's own words, no wider than a page.
fn told(answer: &Value, json: bool) -> Done {
    if json {
        return json_out(answer);
    }
    for line in answer["text"].as_str().unwrap_or_default().lines() {
        let indent = line.len() - line.trim_start_matches([' ', '-']).len();
        wrap(line, indent.max(2), 100).iter().for_each(|l| say(&format!("{l}\n")));
    }
    Ok(())
}

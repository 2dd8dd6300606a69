// A worksheet and a rehearsal as people read them.
import { S } from "./strings.js";
import { drawing, h } from "./dom.js";
import * as F from "./figures.js";

export const figures = (rows) =>
  h("dl", { class: "keyfigures" }, rows.filter((row) => row && row[1] !== null && row[1] !== undefined).map(([name, value, note]) => h("div", {}, h("dt", {}, name), h("dd", { class: "value" }, value), note && h("dd", { class: "note" }, note))));

const list = (heading, lines) => lines?.length > 0 && [h("h3", {}, heading), h("ul", {}, lines.map((line) => h("li", {}, line)))];

export function worksheet(made) {
  const w = made.worksheet;
  const q = F.quantity;
  return h(
    "section", { class: "sheet", "aria-label": S.plan.worksheet },
    h("h2", {}, w.title),
    figures([
      [S.sheet.current, q(w.current), w.held], [S.sheet.ceiling, q(w.volts)], [S.sheet.time, q(w.time)], [S.sheet.ramp, q(w.ramp)],
      [S.sheet.density, q(w.density), w["density-why"]], [S.sheet.area, q(w.area)], [S.sheet.charge, q(w.charge)],
      w.thickness && [S.sheet.thickness, q(w.thickness.mean), `${q(w.thickness.low)} – ${q(w.thickness.high)}`],
      w.thickness && [S.sheet.edge, q(w.thickness.edge)], w.mass && [S.sheet.mass, q(w.mass), w.metal], [S.sheet.fastest, q(w.fastest), w["fastest-why"]],
      w["load-count"] > 1 && [S.sheet.loads, String(w["load-count"])],
    ]),
    w["load-count"] > 1 && h("p", {}, S.plan.loads(w["load-count"])),
    w.turn && h("p", { class: "turns" }, h("strong", {}, S.plan.turns), " ", w.turn.say, "."),
    list(S.plan.warnings, w.warnings), list(S.plan.cautions, w.cautions),
    h("details", {}, h("summary", {}, S.plan.whole), h("pre", { tabindex: "0" }, made.text)),
  );
}

/** When the parts of a step are to be turned. */
const turned = (step) => {
  const turn = step.todo.powered?.plan.worksheet.turn;
  return turn && h("span", { class: "turns" }, `${S.plan.turns} ${turn.say}.`);
};

/** A whole sheet for a load: its steps, and everything that can hurt. */
export function sheetPlan(made) {
  const w = made.worksheet;
  return h(
    "section", { class: "sheet", "aria-label": S.plan.worksheet },
    h("h2", {}, w.title), h("p", {}, S.plan.stepsIn(w.steps.length, F.quantity(w.time)), " ", w["load-count"] > 1 ? S.plan.loads(w["load-count"]) : ""),
    h("ol", {}, w.steps.map((s) => h("li", {}, h("strong", {}, F.words(s.name)), s.tank ? `, ${s.tank}` : "", s.rinse.length ? S.plan.rinse(s.rinse.map(F.words).join(", ")) : "", turned(s), s.hazards.length > 0 && h("small", {}, ` ${s.hazards.join(" ")}`)))),
    list(S.plan.warnings, w.steps.flatMap((s) => (s.todo.powered?.plan.worksheet.warnings ?? []).map((t) => `${F.words(s.name)}: ${t}`))),
    list(S.plan.cautions, w.cautions),
    h("details", {}, h("summary", {}, S.plan.whole), h("pre", { tabindex: "0" }, made.text)),
  );
}
export const sheetLine = (w, station) => S.plan.askSheet(w, station, F.quantity(w.time));

/** What is asked before the current goes on, in one line. */
export const line = (w, station) => S.plan.askLine({ title: w.title, current: F.quantity(w.current), volts: F.quantity(w.volts), time: F.quantity(w.time), tank: w.tank, station });

const told = (played) => h("ol", {}, played.story.map((s) => h("li", {}, `${F.time(s.seconds)}: ${s.text}`)));

/** A whole sheet, rehearsed: no curve, for each of its runs would have one of its own. */
function jobRehearsal(played) {
  return h(
    "section", { class: "sheet curve", "aria-label": S.plan.curve },
    h("h2", {}, S.plan.curve), h("p", {}, h("strong", {}, S.plan.rehearsedJob(played.complete)), !played.complete && played.cause && ` ${played.cause}`),
    figures([[S.rehearsal.time, F.time(played.seconds), S.rehearsal.hands], ...played.charges.map((c) => [`${S.rehearsal.charge}, ${c.tank}`, F.minutes(c.charge_coulombs)])]),
    told(played), h("p", { class: "hint" }, S.rehearsal.simulated),
  );
}

export function rehearsal(played) {
  if (played.charges) return jobRehearsal(played);
  return h(
    "section", { class: "sheet curve", "aria-label": S.plan.curve },
    h("h2", {}, S.plan.curve), h("p", {}, h("strong", {}, S.plan.rehearsed(played.complete)), !played.complete && played.cause && ` ${played.cause}`),
    h("div", { class: "picture" }, drawing(played.svg, S.plan.curve)),
    figures([
      [S.rehearsal.time, F.time(played.seconds)], [S.rehearsal.charge, F.minutes(played.charge_coulombs)],
      played.thickness_meters !== null && [S.rehearsal.thickness, F.length(played.thickness_meters)], played.thickness_meters !== null && [S.rehearsal.edge, F.length(played.edge_thickness_meters)],
      [S.rehearsal.amps, F.amps(played.most_amperes)], [S.rehearsal.volts, F.volts(played.most_volts)], [S.rehearsal.alarms, played.alarms.length ? played.alarms.map((a) => a.watch).join(", ") : S.rehearsal.none],
    ]),
    h("ol", {}, played.story.slice(0, 60).map((s) => h("li", {}, `${F.time(s.seconds)}: ${s.text}`))),
    h("p", { class: "hint" }, S.rehearsal.simulated),
  );
}

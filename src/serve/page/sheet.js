// A worksheet and a rehearsal as people read them.
import { S } from "./strings.js";
import { drawing, h } from "./dom.js";
import * as F from "./figures.js";
import { world } from "./net.js";

export const figures = (rows) =>
  h("dl", { class: "keyfigures" }, rows.filter((row) => row && row[1] !== null && row[1] !== undefined).map(([name, value, note]) => h("div", {}, h("dt", {}, name), h("dd", { class: "value" }, value), note && h("dd", { class: "note" }, note))));

const list = (heading, lines) => lines?.length > 0 && [h("h3", {}, heading), h("ul", {}, lines.map((line) => h("li", {}, line)))];

/** Everything that the daemon wrote, in its blocks: headings and lines that fit a phone. */
const whole = (made) =>
  h("details", { class: "whole" }, h("summary", {}, S.plan.whole), made.blocks.map((b) => [
    b.head && h("h3", {}, b.head),
    b.lines.some((l) => l.label !== null) ? h("dl", { class: "lines" }, b.lines.map((l) => h("div", {}, h("dt", {}, l.label ?? ""), h("dd", {}, l.text)))) : h("ul", {}, b.lines.map((l) => h("li", {}, l.text))),
  ]));

/** What can hurt: this load's first, then what holds at every tank, then what its metal and the tanks exclude. */
function cautions(all, base) {
  const noCyanide = !world.house.tanks.some((t) => t.cyanide);
  const place = { bath: 0, tank: 1, steel: base && !/steel|iron/.test(base) ? 2 : 0, "cyanide-nearby": noCyanide ? 2 : 0 };
  return list(S.plan.cautions, all.toSorted((a, b) => place[a.of] - place[b.of]).map((c) => c.text));
}

/** "50 – 60 °C": the unit once, where it is the same. */
const range = ([low, high]) => {
  const [a, b] = [low, high].map(F.quantity);
  const unit = b.slice(b.indexOf(" "));
  return `${a.endsWith(unit) ? a.slice(0, -unit.length) : a} – ${b}`;
};
const turn = (w) => w.turn && h("p", { class: "turns" }, h("strong", {}, S.sheet.turn), ` ${w.turn.say}.`);

export function worksheet(made) {
  const w = made.worksheet;
  const q = F.quantity;
  return h(
    "section", { class: "sheet", "aria-label": S.plan.worksheet },
    h("h2", {}, F.kept(w.title)),
    figures([
      [S.sheet.current, q(w.current), /^current/.test(w.held) ? null : w.held], [S.sheet.ceiling, q(w.volts)], [S.sheet.time, q(w.time)], [S.sheet.ramp, q(w.ramp)],
      [S.sheet.density, q(w.density), w["density-why"]], [S.sheet.area, q(w.area)], [S.sheet.bath, range(w.temperature)], [S.sheet.turns, w.faces > 1 ? S.plan.faces(w.faces) : S.plan.noTurn],
      [S.sheet.charge, q(w.charge)], w.thickness && [S.sheet.thickness, q(w.thickness.mean), range([w.thickness.low, w.thickness.high])],
      w.thickness && [S.sheet.edge, q(w.thickness.edge)], w.mass && [S.sheet.mass, q(w.mass), w.metal], [S.sheet.fastest, q(w.fastest), w["fastest-why"]],
      w["load-count"] > 1 && [S.sheet.loads, String(w["load-count"])],
    ]),
    turn(w), w["load-count"] > 1 && h("p", {}, S.plan.loads(w["load-count"])),
    list(S.plan.warnings, w.warnings), cautions(w.cautions, null), whole(made),
  );
}

/** A step with current: what a plater sets, reads and waits for. */
function powered(step) {
  const w = step.todo.powered.plan.worksheet;
  const q = F.quantity;
  const most = step.limit?.["parts-at-once"];
  return [
    figures([
      [S.sheet.current, q(w.current)], [S.sheet.time, q(w.time)], [S.sheet.density, q(w.density)], [S.sheet.area, q(w.area)], [S.sheet.bath, range(w.temperature)],
      [S.sheet.ceiling, q(w.volts)], w.thickness && [S.sheet.thickness, q(w.thickness.mean)], most && [S.sheet.most, String(most), step.limit.by],
    ]),
    step.todo.powered.part === "anode" && h("p", {}, h("strong", {}, S.sheet.anode)), turn(w),
  ];
}

/** The others: what is done, how long, how warm. */
function done({ todo, tank }) {
  const bath = world.house.tanks.find((t) => t.tank === tank);
  const warm = bath && S.sheet.warm(F.warmth(bath.temperature_celsius[0]), F.warmth(bath.temperature_celsius[2]));
  if (todo.dip) return h("p", {}, [S.sheet.dip(F.quantity(todo.dip.time)), todo.dip.most && S.sheet.outBy(F.quantity(todo.dip.most)), warm].filter(Boolean).join(", "));
  if (todo.inspect) return h("p", {}, todo.inspect.inspect.question);
  return h("p", {}, todo.prompt?.say ?? "");
}

/** A whole sheet for a load: its steps, and everything that can hurt. */
export function sheetPlan(made, base) {
  const w = made.worksheet;
  const hung = w.counts.reduce((a, b) => a + b, 0);
  const said = new Map();
  for (const s of w.steps) for (const t of s.todo.powered?.plan.worksheet.warnings ?? []) said.set(t, [...(said.get(t) ?? []), F.words(s.name)]);
  return h(
    "section", { class: "sheet", "aria-label": S.plan.worksheet },
    h("h2", {}, F.kept(w.title)), h("p", {}, S.plan.stepsIn(w.steps.length, F.quantity(w.time)), ". ", S.plan.hang(hung), " ", w["load-count"] > 1 ? S.plan.loads(w["load-count"]) : ""),
    h("ol", { class: "plansteps" }, w.steps.map((s) => h("li", {}, h("strong", {}, F.words(s.name)), s.tank ? S.sheet.inTank(s.tank) : "", s.within ? S.sheet.within(F.quantity(s.within)) : "", s.todo.powered ? powered(s) : done(s), s.rinse.length ? h("p", {}, S.plan.rinse(s.rinse)) : "", s.hazards.length > 0 && h("p", { class: "mind" }, s.hazards.join(" "))))),
    list(S.plan.warnings, [...said].map(([text, names]) => `${names.join(", ")}: ${text}`)),
    cautions(w.cautions, base), whole(made),
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
    played.burnt && h("p", {}, h("strong", {}, S.rehearsal.burnt)),
    h("div", { class: "picture" }, drawing(played.svg, S.plan.curve)),
    figures([
      [S.rehearsal.time, F.time(played.seconds), S.rehearsal.timeNote], [S.rehearsal.charge, F.minutes(played.charge_coulombs)],
      played.thickness_meters !== null && [S.rehearsal.thickness, F.length(played.thickness_meters)], played.thickness_meters !== null && [S.rehearsal.edge, F.length(played.edge_thickness_meters)],
      [S.rehearsal.amps, F.amps(played.most_amperes)], [S.rehearsal.volts, F.volts(played.most_volts)], [S.rehearsal.alarms, played.alarms.length ? played.alarms.map((a) => a.watch).join(", ") : S.rehearsal.none],
    ]),
    h("ol", {}, played.story.slice(0, 60).map((s) => h("li", {}, `${F.time(s.seconds)}: ${s.text}`))),
    h("p", { class: "hint" }, S.rehearsal.simulated),
  );
}

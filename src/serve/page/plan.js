// Plan: parts, tank and target; the worksheet as one types; rehearse it; start it.
import { S } from "./strings.js";
import { button, choice, field, h, show } from "./dom.js";
import { apart, meant, words } from "./figures.js";
import { knowing, starter, warmths } from "./knowing.js";
import { hands, mayOperate, operator, post, rename, world } from "./net.js";
import { asked, blank, measure, partsForm } from "./parts.js";
import { line, rehearsal, sheetLine, sheetPlan, worksheet } from "./sheet.js";

const DRAFT = "tankside-draft";
/** So long after the last key the daemon is asked, in milliseconds. */
const PAUSE = 250;
const ENDS = { thickness: "8 um", minimum: "5 um", charge: "10 A.min", time: "10 min" };
const HOLDS = { density: "4 A/dm2", current: "2.8 A", voltage: "3 V" };
const RAMP = "20 s";
const CEILING = "8 V";
/** As the daemon takes it: with the unit that stands beside the field. */
const sent = (text, example) => meant(text, apart(example)[1]);

function draft() {
  const fresh = { how: "single", sheet: "", base: "", station: "", tank: "", parts: [blank()], end: "thickness", value: "", hold: "", holdValue: "", entry: "dead", turn: "", ramp: "", ceiling: "", role: {} };
  try {
    return { ...fresh, ...JSON.parse(localStorage.getItem(DRAFT)) };
  } catch {
    return fresh;
  }
}

function sheetRequest(d) {
  return { sheet: d.sheet, part: d.parts.map(asked), ...(d.base && { base: d.base }), ...(d.end && { end: { [d.end]: sent(d.value, ENDS[d.end]) } }), ...(d.turn && { turn: { faces: Number(d.turn) } }), role: roles(d) };
}

/** The tanks chosen for those roles of the sheet that several could play; what was chosen for another sheet is not sent. */
function roles(d) {
  const open = world.house.sheets.find((s) => s.sheet === d.sheet)?.choices ?? [];
  return Object.fromEntries(open.filter((c) => c.tanks.includes(d.role[c.role])).map((c) => [c.role, d.role[c.role]]));
}

function request(d) {
  if (d.how === "sheet") return sheetRequest(d);
  return {
    tank: d.tank,
    part: d.parts.map(asked),
    end: { [d.end]: sent(d.value, ENDS[d.end]) },
    ...(d.hold && { hold: { [d.hold]: sent(d.holdValue, HOLDS[d.hold]) } }),
    ...(d.entry !== "dead" && { entry: d.entry }),
    ...(d.turn && { turn: { faces: Number(d.turn) } }),
    ...(d.ramp && { ramp: { time: sent(d.ramp, RAMP) } }),
    ...(d.ceiling && { ceiling: sent(d.ceiling, CEILING) }),
  };
}

export function open(holder, _rest, frame) {
  const house = world.house;
  const d = draft();
  const names = (list, of) => Object.fromEntries(list.map((x) => [x[of], x[of]]));
  const tanks = Object.fromEntries(house.tanks.map((t) => [t.tank, `${t.tank}: ${t.title}`]));
  const form = h("form", { class: "parts", on: { submit: (event) => event.preventDefault() } });
  const result = h("div", { "aria-live": "polite" });
  const played = h("div", {});
  const start = h("div", {});
  const deeds = h("div", { class: "row deeds" });
  let places = [];
  let timer = null;
  let turn = 0;
  let good = null;
  let howBefore = d.how;

  const pick = (name, options) => {
    const made = choice(options, d[name], () => {
      d[name] = made.value;
      redraw();
    });
    d[name] = made.value;
    return made;
  };

  function redraw() {
    places = [];
    const put = (label, made, name, hint) => {
      const box = field(label, made, hint);
      places.push({ box, input: made, name });
      return box;
    };
    /** A quantity, typed; `key` of the draft, `name` of the request. */
    const typed = (label, key, name, example, optional = false) => {
      const heard = (text) => {
        d[key] = text;
        changed();
      };
      const box = measure(label, d[key], example, heard, { optional });
      places.push({ box, input: box.input, name, check: box.check, sent: box.meant });
      return box;
    };
    /** A tank for a role that several could play: chosen by nobody but who plans. */
    const player = ({ role, tanks: could }) => {
      const made = choice({ "": "…", ...Object.fromEntries(could.map((t) => [t, tanks[t] ?? t])) }, d.role[role] ?? "", () => {
        d.role[role] = made.value;
        changed();
      });
      return put(S.plan.tankFor(words(role)), made, `role.${role}`);
    };
    const guided = d.how === "sheet" && house.sheets?.length > 0;
    // A sheet that the tanks can work comes before one that they cannot.
    if (guided && !house.sheets.some((s) => s.sheet === d.sheet)) d.sheet = (house.sheets.find((s) => !s.missing.length) ?? house.sheets[0]).sheet;
    const sheet = house.sheets?.find((s) => s.sheet === d.sheet);
    const how = house.sheets?.length > 0 && h("fieldset", {}, h("legend", {}, S.plan.way), h("div", { class: "grid long" },
      put(S.plan.how, pick("how", { single: S.plan.single, sheet: S.plan.sheet }), "how"),
      guided && put(S.plan.sheetName, pick("sheet", Object.fromEntries(house.sheets.map((s) => [s.sheet, s.title]))), "sheet"),
      guided && put(S.plan.base, pick("base", { ...(sheet?.base.length > 1 && { "": "…" }), ...Object.fromEntries((sheet?.base ?? []).map((b) => [b, words(b)])) }), "base"),
      guided && (sheet?.choices ?? []).map(player)),
      guided && sheet?.missing.length > 0 && h("p", { class: "wrong" }, S.plan.missing(sheet.missing.map(words).join(", "))));
    const where = h("fieldset", {}, h("legend", {}, S.plan.where), h("div", { class: "grid long" },
      house.stations.length > 1 ? put(S.plan.station, pick("station", names(house.stations, "station")), "station") : null,
      guided ? null : put(S.plan.tank, pick("tank", tanks), "tank")));
    if (house.stations.length === 1) d.station = house.stations[0].station;
    const ends = guided ? { "": S.plan.asSheet, ...S.ends } : S.ends;
    if (!guided && !d.end) d.end = "thickness";
    if (guided && !d.value.trim() && d.how !== howBefore) d.end = "";
    howBefore = d.how;
    const faces = Object.fromEntries([2, 3, 4, 6].map((n) => [n, S.plan.faces(n)]));
    const turns = guided ? { "": S.plan.asSheetTurns(sheet.faces), 1: S.plan.noTurn, ...faces } : { "": S.plan.noTurn, ...faces };
    const target = h("fieldset", {}, h("legend", {}, S.plan.target), h("div", { class: "grid long" },
      put(S.plan.what, pick("end", ends), "end"), d.end && typed(S.plan.value, "value", "end", ENDS[d.end]),
      put(S.plan.turn, pick("turn", turns), "turn", guided ? S.plan.turnSheetHint : S.plan.turnHint)));
    const more = h("details", { open: Boolean(d.hold || d.ramp || d.ceiling) || d.entry !== "dead" }, h("summary", {}, S.plan.more), h("div", { class: "grid long" },
      put(S.plan.hold, pick("hold", S.holds), "hold"), d.hold && typed(S.plan.holdValue, "holdValue", "hold", HOLDS[d.hold]),
      put(S.plan.entry, pick("entry", S.entries), "entry"), typed(S.plan.ramp, "ramp", "ramp", RAMP, true), typed(S.plan.ceiling, "ceiling", "ceiling", CEILING, true)));
    form.replaceChildren(...[how, guided && house.stations.length === 1 ? null : where, ...partsForm(d.parts, changed, redraw, places).flat(2), target, guided ? null : more].filter(Boolean));
    changed();
  }

  function changed() {
    localStorage.setItem(DRAFT, JSON.stringify(d));
    clearTimeout(timer);
    good = null;
    start.replaceChildren();
    show(deeds, true);
    buttons();
    timer = setTimeout(work, PAUSE);
  }

  function buttons() {
    const rehearse = button(S.plan.rehearse, () => play(rehearse), "", { disabled: !good });
    const go = button(S.plan.start, ask, "main", { disabled: !good, ...hands() });
    deeds.replaceChildren(rehearse, go, ...(mayOperate() ? [] : [h("p", { class: "hint" }, S.scope)]));
  }

  /** Without the words that only who writes requests needs. */
  const plain = (text) => text.replace(/^the request: /, "").replace(/^(base|role|tank|part|end|turn|hold|ceiling|ramp|entry|seek|rack)(\.[\w-]+|\[\d+\])*: /, "");

  /** Every problem to the field it is about; what is left over is listed. */
  function spread(errors) {
    return errors.filter((text) => {
      const about = /^([\w-]+(?:\.[\w-]+)*): /.exec(text)?.[1] ?? "";
      const said = (p) => [p.input.value.trim(), p.sent?.()].some((t) => t?.length > 1 && text.includes(`"${t}"`));
      const place = places.find((p) => p.input.tagName === "INPUT" && said(p)) ?? places.find((p) => p.name && about === p.name) ?? places.findLast((p) => p.name && about.split(/[.-]/)[0] === p.name);
      place?.box.wrong(plain(text));
      return !place;
    });
  }

  async function work() {
    const mine = ++turn;
    let wrong = false;
    let untouched = false;
    for (const p of places) {
      const found = p.check?.(p.input.value) ?? null;
      // A field that nobody has filled in yet is not scolded, only waited for.
      const blank = found === S.plan.empty;
      p.box.wrong(blank ? null : found);
      wrong ||= Boolean(found);
      untouched ||= blank;
    }
    if (wrong) {
      result.replaceChildren(h("p", { class: "hint" }, untouched ? S.plan.notYet : ""));
      return;
    }
    try {
      const made = await post("/api/v1/plan", { station: d.station || undefined, request: request(d) });
      if (mine !== turn) return;
      good = made;
      result.replaceChildren(made.worksheet.steps ? sheetPlan(made, d.base) : worksheet(made));
    } catch (error) {
      if (mine !== turn) return;
      const all = error.errors?.length ? error.errors : [error.message];
      const rest = spread(all);
      result.replaceChildren(h("section", { class: "problems" }, h("h2", {}, S.plan.problems), h("ul", {}, (rest.length ? rest : all).map((text) => h("li", {}, plain(text))))));
    }
    buttons();
  }

  async function play(pressed) {
    pressed.disabled = true;
    pressed.textContent = S.plan.rehearsing;
    try {
      const width = Math.round(Math.min(1200, Math.max(300, played.clientWidth - 40)));
      const answer = await post("/api/v1/rehearse", { station: d.station || undefined, request: request(d), width });
      played.replaceChildren(rehearsal(answer));
      played.scrollIntoView({ block: "nearest" });
    } catch (error) {
      frame.complain(error);
    }
    buttons();
  }

  /** Asked once, with the worksheet above it. */
  function ask() {
    const w = good.worksheet;
    const who = h("input", { autocomplete: "name", maxlength: 60 });
    who.value = operator() === S.set.nobody ? "" : operator();
    // Edges that would burn are burnt, and a supply that failed its commissioning is trusted, by nobody who has not said so.
    const known = knowing();
    if ((w.steps ?? []).some((s) => s.todo.powered?.plan.worksheet["edges-burn"]) || w["edges-burn"]) known.ask("edges_may_burn", "");
    if (good.supply_failed) known.ask("supply_may_fail", good.supply_failed);
    const lot = h("input", { maxlength: 80, autocomplete: "off" });
    const customer = h("input", { maxlength: 120, autocomplete: "off" });
    const warm = w.steps ? [...new Set(w.steps.filter((s) => s.todo.powered).map((s) => s.tank))] : [w.tank];
    const baths = warmths(warm);
    const whose = () => Object.fromEntries(Object.entries({ lot, customer }).map(([k, i]) => [k, i.value.trim()]).filter(([, v]) => v));
    const begin = starter(`/api/v1/stations/${encodeURIComponent(d.station)}/${w.steps ? "job" : "start"}`, known, frame);
    const yes = button(w.steps ? S.plan.yesJob : S.plan.yes, async () => {
      if (baths.wrong()) return;
      yes.disabled = true;
      if (who.value.trim()) rename(who.value);
      if (!(await baths.tell())) {
        yes.disabled = false;
        return;
      }
      await begin({ by: operator(), ...whose(), ...known.given(), request: request(d) });
      yes.disabled = false;
    }, "main");
    const box = h("section", { class: "ask", "aria-label": S.plan.ask }, h("h2", {}, S.plan.ask), h("p", {}, w.steps ? sheetLine(w, d.station) : line(w, d.station)), !w.steps && h("p", {}, h("strong", {}, S.plan.hangs(w.tank, d.entry))),
      h("div", { class: "grid" }, world.session.name ? null : field(S.plan.operator, who), field(S.after.entry.lot, lot, S.plan.maybe), field(S.after.entry.customer, customer, S.plan.maybe)), baths.root, known.root, h("div", { class: "row" }, yes, button(S.plan.no, () => {
        start.replaceChildren();
        show(deeds, true);
      })));
    start.replaceChildren(box);
    show(deeds, false);
    box.scrollIntoView({ block: "nearest" });
    yes.focus({ preventScroll: true });
  }

  holder.append(h("h1", {}, S.plan.heading));
  if (!house.tanks.length) return holder.append(h("p", {}, S.plan.noTank));
  holder.append(h("div", { class: "two" }, h("div", {}, form, played), h("div", {}, result, start, deeds)));
  redraw();
  return () => {
    clearTimeout(timer);
    turn += 1;
  };
}

// Tanks: what each has worked, what is due, and that it was done.
import { S } from "./strings.js";
import { button, choice, drawing, field, h, room } from "./dom.js";
import * as F from "./figures.js";
import { Trouble, get, getText, hands, mayOperate, operator, post, world } from "./net.js";
import { figures } from "./sheet.js";
import { wrongQuantity } from "./parts.js";

/** Less than this is not poured, in litres; further off than this is not told by the day, in milliseconds. */
const DROP = 0.001;
const YEAR = 365 * 86_400_000;

/** Due by time alone, and never logged: nothing says when it was done, so it is neither early nor late. */
export const neverLogged = (rule) => rule.due_ratio >= 1 && !rule.last_done && !(rule.every_coulombs > 0 && rule.charge_coulombs >= rule.every_coulombs);

/** What is logged of any tank, rule or no rule. */
const EVENTS = Object.keys(S.tanks.logged);

export async function open(holder, [only], frame) {
  const body = h("div", { class: only ? null : "every" });
  const pick = h("nav", { class: "picks", "aria-label": S.tanks.heading });
  holder.append(h("h1", {}, S.tanks.heading), pick, body);
  const off = hands();

  async function send(tank, verb, more) {
    try {
      const said = await post(`/api/v1/tanks/${encodeURIComponent(tank)}/${verb}`, { by: operator(), ...more });
      frame.tell(said.said);
      await draw();
    } catch (error) {
      frame.complain(error);
    }
  }

  function due(tank, rule) {
    const unsaid = neverLogged(rule);
    const part = Math.round(rule.due_ratio * 100);
    const over = rule.due_ratio >= 1 && !unsaid;
    const fill = h("span", { class: over ? "fill over" : "fill" });
    fill.style.width = unsaid ? "0" : `${Math.min(100, part)}%`;
    const asks = h("div", {});
    const done = button(S.tanks.done, () => {
      const note = h("input", { maxlength: 200 });
      asks.replaceChildren(field(S.tanks.note, note), h("div", { class: "row" }, button(S.tanks.save, () => send(tank, "log", { rule: rule.additive, ...(note.value.trim() && { note: note.value }) }), "main"), button(S.tanks.cancel, () => asks.replaceChildren())));
      note.focus();
    }, "", off);
    const facts = [
      S.tanks.since(F.hours(rule.charge_coulombs)),
      rule.dose_liters >= DROP && S.tanks.dose(F.liters(rule.dose_liters)),
      rule.forecast && rule.due_ratio < 1 && (new Date(rule.forecast) - Date.now() > YEAR ? S.tanks.far : S.tanks.when(F.day(rule.forecast))),
      rule.last_done ? S.tanks.last(F.day(rule.last_done), rule.last_by) : !unsaid && S.tanks.never,
    ];
    return h("li", {}, h("div", { class: "row" }, h("strong", {}, rule.additive), over || unsaid ? h("span", { class: "due" }, unsaid ? S.tanks.never : S.tanks.isDue) : h("span", {}, S.tanks.part(part)), h("span", {}, facts.filter(Boolean).join("; "))), h("div", { class: "worn", "aria-hidden": "true" }, fill), h("div", {}, done), asks);
  }

  function panel(t) {
    const facts = world.house.tanks.find((v) => v.tank === t.tank);
    const [low, usual, high] = facts?.temperature_celsius ?? [];
    const such = F.example(`${Math.round(usual ?? 25)} degC`);
    const warm = h("input", { placeholder: such, maxlength: 20 });
    const warmBox = field(S.tanks.warmValue, warm);
    const tell = () => {
      const wrong = wrongQuantity(warm.value, such);
      warmBox.wrong(wrong);
      if (!wrong) send(t.tank, "bath", { temperature: warm.value });
    };
    const known = t.known;
    return h(
      "section", { class: "panel", "aria-label": t.tank },
      h("h2", {}, `${t.tank}: ${facts?.title ?? t.bath}`),
      figures([
        [S.tanks.worked, F.hours(t.charge_coulombs), t.volume_liters ? S.tanks.volume(t.volume_liters) : null], [S.tanks.runs, String(t.runs)],
        [S.temperature, known?.temperature_celsius == null ? S.notKnown : F.warmth(known.temperature_celsius), low === undefined ? null : S.windowOf(F.warmth(low), F.warmth(high))],
        t.unobserved_seconds > 0 && [S.tanks.unobserved, F.time(t.unobserved_seconds)],
      ]),
      h("h3", {}, S.tanks.due), t.upkeep.length ? h("ul", { class: "dues" }, t.upkeep.map((rule) => due(t.tank, rule))) : h("p", { class: "hint" }, S.tanks.nothing),
      mayOperate() ? h("div", { class: "row" }, warmBox, button(S.tanks.tell, tell)) : h("p", { class: "hint" }, S.scope),
      worked(t), mayOperate() && additions(t), findings(t.tank, facts),
      facts?.cautions.length > 0 && h("details", {}, h("summary", {}, S.tanks.cautions), h("ul", {}, facts.cautions.map((c) => h("li", {}, c)))),
    );
  }

  /** What was added or done, whether a rule asks for it or not. */
  function additions(t) {
    const rules = t.upkeep.map((u) => u.additive);
    const what = choice({ ...Object.fromEntries(rules.map((r) => [r, r])), ...Object.fromEntries(EVENTS.filter((e) => !rules.includes(e)).map((e) => [e, S.tanks.logged[e]])) }, "addition");
    const note = h("input", { maxlength: 200, placeholder: S.tanks.noteHint });
    return h("details", {}, h("summary", {}, S.tanks.logAddition), h("div", { class: "grid long" }, field(S.tanks.what, what), field(S.tanks.note, note)),
      h("div", { class: "row" }, button(S.tanks.save, () => send(t.tank, "log", { rule: what.value, ...(note.value.trim() && { note: note.value }) }), "main"), button(S.tanks.undo, () => send(t.tank, "undo", {}))));
  }

  /** Ampere-hours by day, by month, since each thing was done, and by part; asked for when they are wanted. */
  function worked({ tank }) {
    const places = ["day", "month"].map((each) => [each, h("div", { class: "picture" })]);
    const since = h("div", {});
    const parts = h("div", {});
    const box = h("details", { open: Boolean(only) }, h("summary", {}, S.tanks.perDay), places.map(([, place]) => place), since, parts);
    const lines = (heading, names, rows) => (rows.length ? [h("h3", {}, heading), h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": heading }, h("table", {}, h("thead", {}, h("tr", {}, names.map((n) => h("th", { scope: "col" }, n)))), h("tbody", {}, rows.map(([first, ...more]) => h("tr", {}, h("th", { scope: "row" }, first), more.map((c) => h("td", {}, c)))))))] : []);
    const account = async (by) => get(`/api/v1/tanks/${encodeURIComponent(tank)}/account?by=${by}`);
    async function tell() {
      const [events, pieces] = await Promise.all([account("event"), account("part")]);
      since.replaceChildren(...lines(S.tanks.sinceEach, [S.tanks.what, S.tanks.day, S.tanks.charge, S.tanks.runs], events.events.map((e) => [S.tanks.logged[e.event] ?? e.event, `${F.stamp(e.at)}, ${e.by}`, F.hours(e.charge_coulombs), String(e.runs)])));
      parts.replaceChildren(...lines(S.tanks.byPart, [S.tanks.part_, S.tanks.pieces, S.tanks.charge, S.tanks.runs], pieces.rows.map((r) => [[r.key, r.kind].filter(Boolean).join(", ") || S.tanks.noPart, r.pieces === null ? S.time.none : String(r.pieces), F.hours(r.charge_coulombs), String(r.runs)])));
    }
    box.addEventListener("toggle", () => {
      if (box.open) tell().catch(frame.complain);
      if (box.open) places.forEach(async ([each, place]) => place.replaceChildren(drawing(await getText(`/api/v1/tanks/${encodeURIComponent(tank)}/charge.svg?each=${each}&width=${room(place)}`).catch(() => ""), S.tanks.each[each]) ?? S.tanks.none));
    });
    return box;
  }

  /** Analyses and Hull panels: entered as they are written down, answered with what to add. */
  function findings(tank, facts) {
    const box = h("details", {}, h("summary", {}, S.tanks.findings));
    const past = h("ul", {});
    const said = h("div", { "aria-live": "polite" });
    const enter = (kind, label, example, preview) => {
      const input = h("input", { placeholder: example, maxlength: 300, autocomplete: "off" });
      const place = field(label, input, example);
      const send = async (only_show) => {
        place.wrong(input.value.trim() ? null : S.plan.empty);
        if (!input.value.trim()) return;
        try {
          const answer = await post(`/api/v1/tanks/${encodeURIComponent(tank)}/${kind}`, { by: operator(), entered: input.value, only_show });
          said.replaceChildren(h("pre", { tabindex: "0" }, answer.text));
          if (only_show) return;
          input.value = "";
          await older();
        } catch (error) {
          place.wrong(error instanceof Trouble ? [error.detail, ...error.errors].join("; ") : String(error));
        }
      };
      return h("div", { class: "row wide" }, place, button(S.tanks.onlyShow, () => send(true)), button(S.tanks.save, () => send(false), "main"));
    };
    async function older() {
      const rows = await get(`/api/v1/tanks/${encodeURIComponent(tank)}/analysis`);
      if (!rows.length) return past.replaceChildren(h("li", { class: "hint" }, S.tanks.none));
      past.replaceChildren(...rows.map((r) => h("li", {}, `${F.stamp(r.at)}, ${r.by}: ${r.found.map((f) => [f.what, f.value, S.tanks.units[f.unit] ?? f.unit].join(" ").trim()).join(", ")}${r.note ? `; ${r.note}` : ""}`)));
    }
    box.addEventListener("toggle", () => box.open && older().catch(frame.complain));
    if (mayOperate()) {
      box.append(enter("analysis", S.tanks.logAnalysis, S.tanks.analysisExample));
      if (facts?.metal) box.append(enter("analysis", S.tanks.titration, S.tanks.titrationExample(S.tanks.metals[facts.metal] ?? facts.metal)), enter("panel", S.tanks.panels, S.tanks.panelExample));
    }
    box.append(said, h("h3", {}, S.tanks.analysis), past);
    return box;
  }

  async function draw() {
    const tanks = await get("/api/v1/tanks");
    const wanted = tanks.filter((t) => !only || t.tank === only);
    if (!wanted.length) body.replaceChildren(h("p", { class: "hint" }, S.tanks.noSuch(only ?? "")));
    else body.replaceChildren(...wanted.map(panel));
    pick.replaceChildren(...[["", S.tanks.all], ...tanks.map((t) => [t.tank, t.tank])].map(([tank, text]) => h("a", { href: tank ? `#/tanks/${encodeURIComponent(tank)}` : "#/tanks", "aria-current": (only ?? "") === tank ? "page" : null }, text)));
  }
  await draw().catch(frame.complain);
}

// Tanks: what each has worked, what is due, and that it was done.
import { S } from "./strings.js";
import { button, choice, drawing, field, filled, h, room } from "./dom.js";
import * as F from "./figures.js";
import { Trouble, get, getText, hands, mayOperate, operator, post, world } from "./net.js";
import { figures } from "./sheet.js";
import { measure } from "./parts.js";

/** Less than this is not poured, in litres; further off than this is not told by the day, in milliseconds. */
const DROP = 0.0001;
const YEAR = 365 * 86_400_000;

/** What is logged of any tank, rule or no rule. */
const EVENTS = Object.keys(S.tanks.logged);

export async function open(holder, [only], frame) {
  const body = h("div", { class: only ? null : "every" });
  const pick = h("nav", { class: "picks", "aria-label": S.tanks.heading });
  holder.append(h("h1", {}, S.tanks.heading), pick, body);
  const off = hands();

  /** `words`: what was done, where the daemon's own have a time of another zone. */
  async function send(tank, verb, more, words) {
    try {
      const said = await post(`/api/v1/tanks/${encodeURIComponent(tank)}/${verb}`, { by: operator(), ...more });
      frame.tell(words ?? said.said);
      await again(tank);
    } catch (error) {
      frame.complain(error);
    }
  }

  function due(tank, rule) {
    const unsaid = F.neverLogged(rule);
    const part = Math.round(rule.due_ratio * 100);
    const over = rule.due_ratio >= 1 && !unsaid;
    const fill = h("span", { class: over ? "fill over" : "fill" });
    fill.style.width = unsaid ? "0" : `${Math.min(100, part)}%`;
    const asks = h("div", {});
    const done = button(S.tanks.done, () => {
      const note = h("input", { maxlength: 200 });
      const amount = rule.dose_liters !== null && h("input", { maxlength: 40, placeholder: rule.dose_liters >= DROP ? F.liters(rule.dose_liters) : "20 mL" });
      asks.replaceChildren(...[amount && field(S.tanks.amount, amount), field(S.tanks.note, note), h("div", { class: "row" }, button(S.tanks.save, () => send(tank, "log", { rule: rule.additive, ...filled({ amount, note }) }), "main"), button(S.tanks.cancel, () => asks.replaceChildren()))].filter(Boolean));
      (amount || note).focus();
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
    const warmBox = measure(S.tanks.warmValue, "", `${Math.round(usual ?? 25)} degC`);
    const tell = () => warmBox.look() || send(t.tank, "bath", { temperature: warmBox.meant() });
    const known = t.known;
    const read = known?.temperature_celsius == null ? null : S.tanks.read(known.temperature_by ?? S.set.nobody, F.time(known.temperature_age_seconds));
    return h(
      "section", { class: "panel", "aria-label": t.tank, "data-tank": t.tank },
      h("h2", {}, `${t.tank}: ${facts?.title ?? t.bath}`),
      figures([
        [S.tanks.worked, F.hours(t.charge_coulombs), t.volume_liters ? S.tanks.volume(t.volume_liters) : null], [S.tanks.runs, String(t.runs)],
        [S.gauge.temperature, known?.temperature_celsius == null ? S.notKnown : F.warmth(known.temperature_celsius), [read, low === undefined ? null : S.windowOf(F.warmth(low), F.warmth(high)), known?.temperature_trouble].filter(Boolean).join("; ")],
        t.unobserved_seconds > 0 && [S.tanks.unobserved, F.time(t.unobserved_seconds)],
      ]),
      h("h3", {}, S.tanks.due), t.upkeep.length ? h("ul", { class: "dues" }, t.upkeep.map((rule) => due(t.tank, rule))) : h("p", { class: "hint" }, S.tanks.nothing),
      mayOperate() ? h("div", { class: "row" }, warmBox, button(S.tanks.tell, tell)) : h("p", { class: "hint" }, S.scope),
      mayOperate() && additions(t), journal(t), worked(t), findings(t.tank, facts),
      facts?.cautions.length > 0 && h("details", {}, h("summary", {}, S.tanks.cautions), h("ul", {}, facts.cautions.map((c) => h("li", {}, c)))),
    );
  }

  /** What was added or done, whether a rule asks for it or not. */
  function additions(t) {
    const rules = t.upkeep.map((u) => u.additive);
    const what = choice({ ...Object.fromEntries(rules.map((r) => [r, r])), ...Object.fromEntries(EVENTS.filter((e) => !rules.includes(e)).map((e) => [e, S.tanks.logged[e]])) }, "addition");
    const amount = h("input", { maxlength: 40, placeholder: S.tanks.amountHint, autocomplete: "off" });
    const note = h("input", { maxlength: 200, placeholder: S.tanks.noteHint });
    return h("details", {}, h("summary", {}, S.tanks.logAddition), h("div", { class: "grid long" }, field(S.tanks.what, what), field(S.tanks.amount, amount), field(S.tanks.note, note)),
      h("div", { class: "row" }, button(S.tanks.save, () => send(t.tank, "log", { rule: what.value, ...filled({ amount, note }) }), "main")));
  }

  /** What was logged, who by and when; each line can be taken back, after it was asked in words. */
  function journal({ tank }) {
    const lines = h("ul", { class: "journal" });
    const line = (e) => {
      const what = [S.tanks.logged[e.what] ?? e.what, e.amount, e.note].filter(Boolean).join(", ");
      const when = `${F.stamp(e.at)}, ${e.by}`;
      const asks = h("div", {});
      const ask = button(S.tanks.takeBack, () => {
        const yes = button(S.tanks.yesBack, () => send(tank, "undo", { entry: e.entry }, S.tanks.takenBack(what)), "main");
        asks.replaceChildren(h("p", {}, S.tanks.askBack(what, when)), h("div", { class: "row" }, yes, button(S.tanks.cancel, () => asks.replaceChildren(ask))));
        yes.focus();
      });
      if (!e.taken_back && mayOperate()) asks.append(ask);
      return h("li", {}, h("span", { class: e.taken_back ? "undone" : null }, h("strong", {}, what), ` ${when}`), e.taken_back && ` ${S.tanks.backAt(F.stamp(e.taken_back))}`, asks);
    };
    const box = h("details", {}, h("summary", {}, S.tanks.journal), lines);
    box.addEventListener("toggle", async () => {
      if (!box.open) return;
      const all = await get(`/api/v1/tanks/${encodeURIComponent(tank)}/log`).catch(frame.complain);
      lines.replaceChildren(...(all?.length ? all.map(line) : [h("li", { class: "hint" }, S.tanks.none)]));
    });
    return box;
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
    const said = h("div", { "aria-live": "polite", class: "answer" });
    /** Sends a line as the daemon reads it; what is wrong with it is marked at `place`. */
    const send = async (kind, entered, only_show, place) => {
      try {
        const answer = await post(`/api/v1/tanks/${encodeURIComponent(tank)}/${kind}`, { by: operator(), entered, only_show });
        place.wrong(null);
        said.replaceChildren(h("h3", {}, only_show ? S.tanks.shown : S.tanks.entered), ...told(answer));
        said.scrollIntoView({ block: "center" });
        if (!only_show) await older();
        return !only_show;
      } catch (error) {
        place.wrong(error instanceof Trouble ? [error.detail, ...error.errors].join("; ") : String(error));
        return false;
      }
    };
    const both = (deed) => [button(S.tanks.onlyShow, () => deed(true)), button(S.tanks.save, () => deed(false), "main")];
    /** One line as a person writes it. */
    const enter = (kind, label, example) => {
      const input = h("input", { placeholder: example, maxlength: 300, autocomplete: "off" });
      const place = field(label, input, S.tanks.asIn(example));
      const deed = async (only_show) => {
        place.wrong(input.value.trim() ? null : S.plan.empty);
        if (input.value.trim() && (await send(kind, input.value, only_show, place))) input.value = "";
      };
      return h("div", { class: "row wide" }, place, both(deed));
    };
    /** A field for each thing that this bath is made of. */
    function analysis() {
      const made = facts.analysed.map((a) => {
        const unit = S.tanks.units[a.unit] ?? a.unit;
        return { ...a, unit, box: measure(a.what, "", unit ? `7 ${unit}` : "", null, { optional: true, bare: true }) };
      });
      const salts = made.filter((a) => !a.usual);
      const place = h("p", { class: "wrong", hidden: true });
      place.wrong = (text) => {
        place.textContent = text ?? "";
        place.hidden = !text;
      };
      const deed = async (only_show) => {
        if (made.map(({ box }) => box.look()).some(Boolean)) return;
        const found = made.filter(({ box }) => box.input.value.trim());
        place.wrong(found.length ? null : S.plan.empty);
        const entered = found.map(({ what, box }) => `${what.replaceAll(",", "")} = ${box.meant()}`).join("; ");
        if (found.length && (await send("analysis", entered, only_show, place))) found.forEach(({ box }) => (box.input.value = ""));
      };
      return h("section", { class: "analysis", "aria-label": S.tanks.logAnalysis }, h("h3", {}, S.tanks.logAnalysis), h("div", { class: "grid" }, made.filter((a) => a.usual).map((a) => a.box)),
        salts.length > 0 && h("details", {}, h("summary", {}, S.tanks.salts), h("div", { class: "grid long" }, salts.map((a) => a.box))), place, h("div", { class: "row" }, both(deed)));
    }
    /** What to add, a line each; the earlier ones are the list below. */
    function told({ lines, trend }) {
      const moves = (trend ?? []).filter((t) => t["per-ampere-hour"]).map((t) => S.tanks.moves(t.what, (t["per-ampere-hour"] * 100).toFixed(2)));
      return [h("ul", {}, [...lines, ...moves].map((l) => h("li", {}, l)))];
    }
    async function older() {
      const rows = await get(`/api/v1/tanks/${encodeURIComponent(tank)}/analysis`);
      if (!rows.length) return past.replaceChildren(h("li", { class: "hint" }, S.tanks.none));
      past.replaceChildren(...rows.map((r) => h("li", {}, `${F.stamp(r.at)}, ${r.by}: ${r.found.map((f) => [f.what, f.value, S.tanks.units[f.unit] ?? f.unit].join(" ").trim()).join(", ")}${r.note ? `; ${r.note}` : ""}`)));
    }
    box.addEventListener("toggle", () => box.open && older().catch(frame.complain));
    if (mayOperate() && facts) {
      box.append(analysis());
      if (facts.metal) box.append(enter("analysis", S.tanks.titration, S.tanks.titrationExample(S.tanks.metals[facts.metal] ?? facts.metal)), enter("panel", S.tanks.panels, S.tanks.panelExample));
    }
    box.append(said, h("h3", {}, S.tanks.analysis), past);
    return box;
  }

  /** One tank anew, with what was open still open. */
  async function again(tank) {
    const made = (await get("/api/v1/tanks")).find((t) => t.tank === tank);
    const old = [...body.children].find((p) => p.dataset.tank === tank);
    if (!made || !old) return;
    const all = (p) => [...p.querySelectorAll("details")];
    const name = (d) => d.firstElementChild.textContent;
    const opened = new Set(all(old).filter((d) => d.open).map(name));
    const fresh = panel(made);
    for (const d of all(fresh)) d.open = opened.has(name(d));
    old.replaceWith(fresh);
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

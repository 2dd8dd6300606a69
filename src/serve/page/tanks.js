// Tanks: what each has worked, what is due, and that it was done.
import { S } from "./strings.js";
import { button, drawing, field, h } from "./dom.js";
import * as F from "./figures.js";
import { Trouble, get, getText, mayOperate, operator, post, world } from "./net.js";
import { figures } from "./sheet.js";
import { wrongQuantity } from "./parts.js";

export async function open(holder, _rest, frame) {
  const body = h("div", {});
  holder.append(h("h1", {}, S.tanks.heading), body);
  const off = mayOperate() ? {} : { disabled: true, title: S.scope };

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
    const part = Math.round(rule.due_ratio * 100);
    const fill = h("span", { class: rule.due_ratio >= 1 ? "fill over" : "fill" });
    fill.style.width = `${Math.min(100, part)}%`;
    const asks = h("div", {});
    const done = button(S.tanks.done, () => {
      const note = h("input", { maxlength: 200 });
      asks.replaceChildren(field(S.tanks.note, note), h("div", { class: "row" }, button(S.tanks.save, () => send(tank, "log", { rule: rule.additive, ...(note.value.trim() && { note: note.value }) }), "main"), button(S.tanks.cancel, () => asks.replaceChildren())));
      note.focus();
    }, "", off);
    const facts = [
      S.tanks.since(F.hours(rule.charge_coulombs)),
      rule.dose_liters > 0 && S.tanks.dose(F.liters(rule.dose_liters)),
      rule.forecast && rule.due_ratio < 1 && S.tanks.when(F.day(rule.forecast)),
      rule.last_done ? S.tanks.last(F.day(rule.last_done), rule.last_by) : S.tanks.never,
    ];
    return h("li", {}, h("div", { class: "row" }, h("strong", {}, rule.additive), rule.due_ratio >= 1 ? h("span", { class: "due" }, S.tanks.isDue) : h("span", {}, S.tanks.part(part)), h("span", {}, facts.filter(Boolean).join("; "))), h("div", { class: "worn", "aria-hidden": "true" }, fill), h("div", {}, done), asks);
  }

  function panel(t) {
    const facts = world.house.tanks.find((v) => v.tank === t.tank);
    const [low, , high] = facts?.temperature_celsius ?? [];
    const warm = h("input", { placeholder: "54 degC", maxlength: 20 });
    const warmBox = field(S.tanks.warmValue, warm);
    const tell = () => {
      const wrong = wrongQuantity(warm.value, "54 degC");
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
      h("div", { class: "row" }, warmBox, button(S.tanks.tell, tell, "", off), t.upkeep.some((r) => r.last_done) && button(S.tanks.undo, () => send(t.tank, "undo", {}), "", off)),
      worked(t.tank), findings(t.tank, facts),
      facts?.cautions.length > 0 && h("details", {}, h("summary", {}, S.tanks.cautions), h("ul", {}, facts.cautions.map((c) => h("li", {}, c)))),
    );
  }

  /** Ampere-hours by day and by month, drawn when they are wanted. */
  function worked(tank) {
    const places = ["day", "month"].map((each) => [each, h("div", { class: "picture" })]);
    const box = h("details", {}, h("summary", {}, S.tanks.perDay), places.map(([, place]) => place));
    box.addEventListener("toggle", () => {
      if (box.open) places.forEach(async ([each, place]) => place.replaceChildren(drawing(await getText(`/api/v1/tanks/${encodeURIComponent(tank)}/charge.svg?each=${each}`).catch(() => ""), S.tanks.each[each]) ?? S.tanks.none));
    });
    return box;
  }

  /** Analyses and Hull panels: entered as they are written down, answered with what to add. */
  function findings(tank, facts) {
    const box = h("details", {}, h("summary", {}, S.tanks.findings));
    const past = h("ul", {});
    const said = h("div", { "aria-live": "polite" });
    const enter = (kind, label, example) => {
      const input = h("input", { placeholder: example, maxlength: 300, autocomplete: "off" });
      const place = field(label, input, example);
      const go = button(S.tanks.save, async () => {
        place.wrong(input.value.trim() ? null : S.plan.empty);
        if (!input.value.trim()) return;
        try {
          const answer = await post(`/api/v1/tanks/${encodeURIComponent(tank)}/${kind}`, { by: operator(), entered: input.value });
          said.replaceChildren(h("pre", { tabindex: "0" }, answer.text));
          input.value = "";
          await older();
        } catch (error) {
          place.wrong(error instanceof Trouble ? [error.detail, ...error.errors].join("; ") : String(error));
        }
      }, "", off);
      return h("div", { class: "row wide" }, place, go);
    };
    async function older() {
      const rows = await get(`/api/v1/tanks/${encodeURIComponent(tank)}/analysis`);
      past.replaceChildren(...rows.map((r) => h("li", {}, `${F.stamp(r.at)}, ${r.by}: ${r.found.map((f) => [f.what, f.value, S.tanks.units[f.unit] ?? f.unit].join(" ").trim()).join(", ")}${r.note ? `; ${r.note}` : ""}`)));
    }
    box.addEventListener("toggle", () => box.open && older().catch(frame.complain));
    box.append(enter("analysis", S.tanks.logAnalysis, S.tanks.analysisExample), ...(facts?.metal ? [enter("panel", S.tanks.panels, S.tanks.panelExample)] : []), said, h("h3", {}, S.tanks.analysis), past);
    return box;
  }

  async function draw() {
    const tanks = await get("/api/v1/tanks");
    body.replaceChildren(...tanks.map(panel));
  }
  await draw().catch(frame.complain);
}

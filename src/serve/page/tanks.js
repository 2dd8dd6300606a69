// Tanks: what each has worked, what is due, and that it was done.
import { S } from "./strings.js";
import { button, field, h } from "./dom.js";
import * as F from "./figures.js";
import { get, mayOperate, operator, post, world } from "./net.js";
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
      facts?.cautions.length > 0 && h("details", {}, h("summary", {}, S.tanks.cautions), h("ul", {}, facts.cautions.map((c) => h("li", {}, c)))),
    );
  }

  async function draw() {
    const tanks = await get("/api/v1/tanks");
    body.replaceChildren(...tanks.map(panel));
  }
  await draw().catch(frame.complain);
}

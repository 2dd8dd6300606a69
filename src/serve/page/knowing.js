// What a start asks beside what is to be done: a tick for each thing that nobody does unknowingly, how warm the baths are.
import { S } from "./strings.js";
import { h, sentence, set, show } from "./dom.js";
import { stamp, warmth } from "./figures.js";
import { get, key, operator, post, world } from "./net.js";
import { measure } from "./parts.js";

/** `ask(field, why)` makes that tick; `given()` is what was ticked, as a start takes it; `refused(error)` asks for what a
 * refusal wanted, and is false where it wanted nothing that can be ticked. */
export function knowing() {
  const ticks = {};
  const root = h("div", {});
  function ask(field, why) {
    if (!ticks[field]) {
      ticks[field] = { box: h("input", { type: "checkbox" }), why: h("p", { class: "wrong", role: "alert" }) };
      root.append(ticks[field].why, h("label", { class: "check" }, ticks[field].box, ` ${S.plan.knows[field]}`));
    }
    set(ticks[field].why, why);
    show(ticks[field].why, Boolean(why));
    return ticks[field].box;
  }
  const given = () => Object.fromEntries(Object.entries(ticks).filter(([, t]) => t.box.checked).map(([field]) => [field, true]));
  function refused(error) {
    if (!(error.needs?.field in S.plan.knows)) return false;
    ask(error.needs.field, S.plan.refused(sentence(error.needs.why))).focus();
    return true;
  }
  return { root, ask, given, refused };
}

/** How warm those tanks are, where nobody knows: a field for each, that may stay empty. `wrong()` is whether something in
 * them cannot be read; `tell()` puts what was read at the tanks on record, before the current does its work there. */
export function warmths(names) {
  const root = h("div", { class: "grid long" });
  const fields = [];
  // Nobody is kept waiting for it: the fields come when the daemon has said what it knows.
  get("/api/v1/tanks").then((tanks) => {
    for (const t of tanks.filter((t) => names.includes(t.tank) && t.temperature_celsius === null)) {
      const facts = world.house.tanks.find((f) => f.tank === t.tank);
      const last = t.known?.temperature_celsius;
      const before = last == null ? S.plan.noWarmth : S.plan.lastWarmth(warmth(last), stamp(new Date(Date.now() - t.known.temperature_age_seconds * 1000)), t.known.temperature_by);
      const box = measure(S.plan.warmthOf(t.tank), "", `${Math.round(facts?.temperature_celsius[1] ?? 25)} degC`, null, { hint: before, optional: true });
      fields.push([t.tank, box]);
      root.append(box);
    }
  }).catch(() => {});
  async function tell() {
    for (const [tank, box] of fields.filter(([, box]) => box.input.value.trim())) {
      try {
        await post(`/api/v1/tanks/${encodeURIComponent(tank)}/bath`, { by: operator(), temperature: box.meant() });
      } catch (error) {
        box.wrong(error.message);
        return false;
      }
    }
    return true;
  }
  return { root, tell, wrong: () => fields.map(([, box]) => box.look()).some(Boolean) };
}

/** Starts: the same press again is the same start, another body another one. */
export function starter(path, known, frame) {
  let once = key();
  let sent = "";
  return async (body) => {
    const now = JSON.stringify(body);
    if (sent && sent !== now) once = key();
    sent = now;
    try {
      await post(path, body, { "Idempotency-Key": once });
      location.hash = "#/bench";
    } catch (error) {
      // An answer that was lost is asked for again with the same key: nothing starts twice. What was refused did not
      // start, and may be taken in a moment.
      if (error.code === "refused") once = key();
      if (!known.refused(error)) frame.complain(error);
    }
  };
}

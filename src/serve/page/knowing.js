// What nobody does unknowingly: a tick for each, asked for beforehand or because a start was refused for want of it.
import { S } from "./strings.js";
import { h, sentence, set, show } from "./dom.js";
import { key, post } from "./net.js";

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

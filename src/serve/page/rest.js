// The rest of a job that did not come to its end: with which step it begins, and its start.
import { S } from "./strings.js";
import { button, choice, field, h } from "./dom.js";
import * as F from "./figures.js";
import { knowing } from "./knowing.js";
import { hands, key, mayOperate, operator, post, rename, world } from "./net.js";

/** `made`: the job as the daemon has it; its `rest` names the steps it may go on with, the last of them the first that was
 * not done. */
export function rest(made, frame) {
  if (!made.rest.length || !mayOperate()) return null;
  const from = choice(Object.fromEntries(made.rest.map((name, i) => [i + 1, `${i + 1}. ${F.words(name)}`])), String(made.rest.length));
  const who = h("input", { autocomplete: "name", maxlength: 60 });
  who.value = operator() === S.set.nobody ? "" : operator();
  const known = knowing();
  let once = key();
  let sent = "";
  const go = button(S.rest.go, async () => {
    go.disabled = true;
    if (who.value.trim()) rename(who.value);
    const body = { by: operator(), continues: made.id, from: from.value, ...known.given() };
    // The same press again is the same start; with another step it is another.
    if (sent && sent !== JSON.stringify(body)) once = key();
    sent = JSON.stringify(body);
    try {
      await post(`/api/v1/stations/${encodeURIComponent(made.station)}/job`, body, { "Idempotency-Key": once });
      location.hash = "#/bench";
    } catch (error) {
      go.disabled = false;
      if (!known.refused(error)) frame.complain(error);
    }
  }, "", hands());
  return h("section", { class: "sheet", "aria-label": S.rest.heading }, h("h2", {}, S.rest.heading), h("p", {}, S.rest.means),
    h("div", { class: "grid long" }, field(S.rest.from, from, S.rest.fromHint), world.session.name ? null : field(S.plan.operator, who)), known.root, h("div", { class: "row" }, go));
}

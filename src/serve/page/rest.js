// The rest of a job that did not come to its end: with which step it begins, and its start.
import { S } from "./strings.js";
import { button, choice, field, h } from "./dom.js";
import * as F from "./figures.js";
import { knowing, starter, warmths } from "./knowing.js";
import { hands, mayOperate, operator, rename, world } from "./net.js";

/** `made`: the job as the daemon has it; its `rest` names the steps it may go on with, the last of them the first that was
 * not done. */
export function rest(made, frame) {
  if (!made.rest.length || !mayOperate()) return null;
  const from = choice(Object.fromEntries(made.rest.map((name, i) => [i + 1, `${i + 1}. ${F.words(name)}`])), String(made.rest.length));
  const who = h("input", { autocomplete: "name", maxlength: 60 });
  who.value = operator() === S.set.nobody ? "" : operator();
  const known = knowing();
  const begin = starter(`/api/v1/stations/${encodeURIComponent(made.station)}/job`, known, frame);
  // Of the baths to come: what is left out before the chosen step hangs in none.
  const ahead = () => made.plan.steps.slice(from.value - 1).filter((s) => s.todo.powered).map((s) => s.tank);
  const place = h("div", {});
  let baths;
  const redraw = () => place.replaceChildren((baths = warmths([...new Set(ahead())])).root);
  from.addEventListener("change", redraw);
  redraw();
  const go = button(S.rest.go, async () => {
    if (baths.wrong()) return;
    go.disabled = true;
    if (who.value.trim()) rename(who.value);
    if (await baths.tell()) await begin({ by: operator(), continues: made.id, from: from.value, ...known.given() });
    go.disabled = false;
  }, "", hands());
  return h("section", { class: "sheet", "aria-label": S.rest.heading }, h("h2", {}, S.rest.heading), h("p", {}, S.rest.means),
    h("div", { class: "grid long" }, field(S.rest.from, from, S.rest.fromHint), world.session.name ? null : field(S.plan.operator, who)), place, known.root, h("div", { class: "row" }, go));
}

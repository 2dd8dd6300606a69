// What is entered when a run has ended: what the parts measured, lot and customer, the sign-off.
import { S } from "./strings.js";
import { button, choice, field, filled, h } from "./dom.js";
import * as F from "./figures.js";
import { Trouble, get, mayOperate, operator, post, rename } from "./net.js";
import { measure } from "./parts.js";

const input = (example, longest = 120) => h("input", { placeholder: example ?? "", maxlength: longest, autocomplete: "off" });
const line = (made) => made.value.trim() || null;
/** Without the keys that have nothing. */
const given = (all) => Object.fromEntries(Object.entries(all).filter(([, v]) => v !== null));

/** Sends what was typed; what is wrong with it is said in its place. */
function sender(path, gather, said, then) {
  return async (event) => {
    const pressed = event.currentTarget;
    pressed.disabled = true;
    try {
      const answer = await post(path, { by: operator(), ...gather() });
      said.replaceChildren(h("pre", { tabindex: "0" }, answer.text ?? answer.said));
      await then?.();
    } catch (error) {
      said.replaceChildren(h("p", { class: "wrong" }, error instanceof Trouble ? [error.detail, ...(error.errors ?? [])].join("; ") : String(error)));
    }
    pressed.disabled = false;
  };
}

/** Thickness by place, or weights: both tell the real efficiency of the run of that id. `step`: where it is one of a job's. */
function measured(step, run, again) {
  const quantity = (label, example) => measure(label, "", example, null, { optional: true });
  const before = quantity(S.after.before, "24.0000 g");
  const weightAfter = quantity(S.after.after, "24.1010 g");
  const weighed = h("input", { type: "number", min: "1", max: "99999", inputmode: "numeric" });
  const method = choice({ "": "…", ...S.methods }, "");
  const places = Object.entries(S.places).map(([at, text]) => [at, quantity(text, "8 um")]);
  const said = h("div", { "aria-live": "polite" });
  const past = h("ul", {});
  const path = `/api/v1/runs/${run}/measured`;
  const typed = (box) => (box.input.value.trim() ? box.meant() : null);
  const gather = () => ({
    readings: places.filter(([, box]) => typed(box)).map(([at, box]) => ({ at, thickness: box.meant() })),
    ...given({ method: method.value || null, weight_before: typed(before), weight_after: typed(weightAfter), weighed: weighed.value ? Number(weighed.value) : null }),
  });
  async function older() {
    const rows = await get(path);
    const told = (r) => [...(r.entered.readings ?? []).map((x) => `${S.places[x.at] ?? x.at} ${F.quantity(x.thickness)}`), r.entered.weights && r.entered.weights.map(F.quantity).join(" → ")].filter(Boolean).join(", ");
    past.replaceChildren(...rows.map((r) => h("li", { class: r.undone ? "undone" : null }, `${F.stamp(r.at)}, ${r.by}: ${told(r)}${r.undone ? `; ${S.after.undone}` : ""}`)));
    undo.hidden = !rows.some((r) => !r.undone);
  }
  const both = () => Promise.all([older(), again()]);
  const undo = button(S.after.undo, sender(`${path}/undo`, () => ({}), said, both), "", { hidden: true });
  older().catch(() => {});
  const boxes = [...places.map(([, box]) => box), before, weightAfter];
  const enter = sender(path, gather, said, both);
  return h("details", {}, h("summary", {}, step ? S.after.measuredAt(F.words(step.name)) : S.after.measured), past,
    h("div", { class: "grid" }, places.map(([, box]) => box), field(S.after.method, method)),
    h("div", { class: "grid" }, before, weightAfter, field(S.after.weighed, weighed)),
    h("div", { class: "row" }, button(S.after.enter, (event) => boxes.map((b) => b.look()).some(Boolean) || enter(event), "main"), undo), said);
}

/** Opens with what stands, so that a slip of the pen is mended and not written anew; what was not changed is not sent. */
function amend(of, again, now) {
  const fields = { lot: input("K-104"), customer: input(""), note: input("", 1000), why: input("", 1000) };
  const said = h("div", { "aria-live": "polite" });
  now((record) => ["lot", "customer"].forEach((k) => (fields[k].value = record[k] ?? "")));
  const stood = () => ({ lot: of.lot ?? null, customer: of.customer ?? null });
  const gather = () => given(Object.fromEntries(Object.entries(fields).map(([k, i]) => [k, line(i) === (stood()[k] ?? null) ? null : line(i)])));
  const then = () => {
    fields.note.value = fields.why.value = "";
    return again();
  };
  return h("details", {}, h("summary", {}, S.after.amend), h("div", { class: "grid long" }, Object.entries(fields).map(([k, i]) => field(S.after.entry[k], i))),
    h("div", { class: "row" }, button(S.after.enter, sender(`${of.path}/amend`, gather, said, then), "main")), said);
}

function sign(of, again) {
  const by = h("input", { autocomplete: "name", maxlength: 60 });
  by.value = operator() === S.set.nobody ? "" : operator();
  const remark = input(S.after.remarkHint, 1000);
  const said = h("div", { "aria-live": "polite" });
  const box = field(S.after.by, by);
  const send = sender(`${of.path}/sign`, () => filled({ by, remark }), said, again);
  const go = button(S.after.sign, (event) => {
    box.wrong(by.value.trim() ? null : S.plan.empty);
    if (!by.value.trim()) return;
    rename(by.value);
    send(event);
  }, "main");
  return h("section", { class: "sheet signoff", "aria-label": S.after.signing }, h("h2", {}, S.after.signing), h("div", { class: "grid long" }, box, field(S.after.remark, remark)), h("div", { class: "row" }, go), said);
}

/** Of a run or a job (`of`: its path) that has ended: who has signed, the lot as it stands, and what may be entered;
 * `runs`: the step, if it is one of several, and the id of the run of each deposit; `record`: as it stands, or the promise of it; null where it could not be had. */
export function after(of, runs, record) {
  const place = h("div", { class: "signed" });
  const heard = [];
  /** Who has signed, and the lot and customer as they stand now. */
  const tell = (record) => {
    Object.assign(of, { lot: record.lot, customer: record.customer });
    heard.forEach((deed) => deed(record));
    const rows = [[S.after.entry.lot, record.lot], [S.after.entry.customer, record.customer]].filter(([, v]) => v);
    place.replaceChildren(...rows.map(([k, v]) => h("p", {}, `${k}: `, h("strong", {}, v))), ...record.signatures.map((s) => h("p", {}, S.after.signed(s.by, F.stamp(s.at), s.remark))));
  };
  const again = () => get(`${of.path}/record.json`).then(tell, () => {});
  const all = mayOperate() ? [place, sign(of, again), runs.map(([step, run]) => measured(step, run, again)), amend(of, again, (deed) => heard.push(deed))] : [place, h("p", { class: "hint" }, S.scope)];
  Promise.resolve(record).then((known) => known && tell(known));
  return all;
}

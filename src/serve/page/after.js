// What is entered when a run has ended: what the parts measured, lot and customer, the sign-off.
import { S } from "./strings.js";
import { button, choice, field, h } from "./dom.js";
import * as F from "./figures.js";
import { Trouble, get, mayOperate, operator, post, rename } from "./net.js";

const input = (example, longest = 120) => h("input", { placeholder: example ?? "", maxlength: longest, autocomplete: "off" });
const line = (made) => made.value.trim() || null;
const filled = (fields) => Object.fromEntries(Object.entries(fields).filter(([, v]) => v !== null));

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

/** Thickness by place, or weights: both tell the run's real efficiency. */
function measured(run, again) {
  const before = input(F.example("24.0000 g"), 20);
  const after = input(F.example("24.1010 g"), 20);
  const weighed = h("input", { type: "number", min: "1", max: "99999", inputmode: "numeric" });
  const method = choice({ "": "…", ...S.methods }, "");
  const places = Object.entries(S.places).map(([at, text]) => [at, text, input(F.example("8 um"), 20)]);
  const said = h("div", { "aria-live": "polite" });
  const past = h("ul", {});
  const path = `/api/v1/runs/${run.id}/measured`;
  const gather = () => ({
    readings: places.filter(([, , i]) => line(i)).map(([at, , i]) => ({ at, thickness: i.value })),
    ...filled({ method: method.value || null, weight_before: line(before), weight_after: line(after), weighed: weighed.value ? Number(weighed.value) : null }),
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
  return h("details", {}, h("summary", {}, S.after.measured), past,
    h("div", { class: "grid" }, places.map(([, text, i]) => field(text, i)), field(S.after.method, method)),
    h("div", { class: "grid" }, field(S.after.before, before), field(S.after.after, after), field(S.after.weighed, weighed)),
    h("div", { class: "row" }, button(S.after.enter, sender(path, gather, said, both), "main"), undo), said);
}

function amend(run, again) {
  const fields = { lot: input("K-104"), customer: input(""), note: input("", 1000), why: input("", 1000) };
  const said = h("div", { "aria-live": "polite" });
  // What is on record stands in its field; sent is only what is another now.
  const before = {};
  const gather = () => filled(Object.fromEntries(Object.entries(fields).map(([k, i]) => [k, line(i) === (before[k] ?? "") ? null : line(i)])));
  get(`/api/v1/runs/${run.id}/record.json`).then((record) => {
    for (const k of ["lot", "customer"]) {
      before[k] = record[k] ?? "";
      if (!fields[k].value) fields[k].value = before[k];
    }
  }).catch(() => {});
  return h("details", {}, h("summary", {}, S.after.amend), h("div", { class: "grid long" }, Object.entries(fields).map(([k, i]) => field(S.after[k], i))),
    h("div", { class: "row" }, button(S.after.enter, sender(`/api/v1/runs/${run.id}/amend`, gather, said, again), "main")), said);
}

function sign(run, again) {
  const by = h("input", { autocomplete: "name", maxlength: 60 });
  by.value = operator() === S.set.nobody ? "" : operator();
  const remark = input(S.after.remarkHint, 1000);
  const said = h("div", { "aria-live": "polite" });
  const box = field(S.after.by, by);
  const send = sender(`/api/v1/runs/${run.id}/sign`, () => filled({ by: line(by), remark: line(remark) }), said, again);
  const go = button(S.after.sign, (event) => {
    box.wrong(by.value.trim() ? null : S.plan.empty);
    if (!by.value.trim()) return;
    rename(by.value);
    send(event);
  }, "main");
  return h("section", { class: "sheet signoff", "aria-label": S.after.signing }, h("h2", {}, S.after.signing), h("div", { class: "grid long" }, box, field(S.after.remark, remark)), h("div", { class: "row" }, go), said);
}

/** Who has signed, and the lot and customer as they stand now. */
async function stands(run, place) {
  const record = await get(`/api/v1/runs/${run.id}/record.json`);
  const rows = [[S.after.lot, record.lot], [S.after.customer, record.customer]].filter(([, v]) => v);
  place.replaceChildren(...rows.map(([k, v]) => h("p", {}, `${k}: `, h("strong", {}, v))), ...record.signatures.map((s) => h("p", {}, S.after.signed(s.by, F.stamp(s.at), s.remark))));
}

export function after(run) {
  const place = h("div", { class: "signed" });
  const again = () => stands(run, place).catch(() => {});
  again();
  if (!mayOperate()) return [place, h("p", { class: "hint" }, S.scope)];
  return [place, sign(run, again), run.metal && measured(run, again), amend(run, again)];
}

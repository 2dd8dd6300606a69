// The parts that hang: shape, sizes, how many.
import { S } from "./strings.js";
import { button, choice, field, h } from "./dom.js";
import { example as inUnits } from "./figures.js";

// Sizes of each shape as an order file names them, with an example to type over.
const SHAPES = {
  disc: { diameter: "34 mm", thickness: "1 mm" },
  plate: { length: "60 mm", width: "20 mm", thickness: "1 mm" },
  washer: { outside: "20 mm", inside: "10 mm", thickness: "1 mm" },
  cylinder: { diameter: "8 mm", length: "60 mm" },
  tube: { outside: "12 mm", wall: "1 mm", length: "40 mm" },
  ring: { outside: "20 mm", wire: "3 mm" },
  sphere: { diameter: "10 mm" },
  cone: { diameter: "20 mm", height: "30 mm" },
  wire: { diameter: "1 mm", length: "200 mm" },
  box: { length: "40 mm", width: "20 mm", height: "10 mm" },
  "hex-bar": { flats: "8 mm", length: "40 mm" },
  area: { area: "2.5 dm2" },
};

export const blank = () => ({ name: "", count: "1", shape: "disc", sizes: {} });

/** A part as the daemon's orders write it. */
export function asked(part) {
  const shape = part.shape === "area" ? part.sizes.area : Object.fromEntries(Object.keys(SHAPES[part.shape]).map((key) => [key, part.sizes[key] ?? ""]));
  return { ...(part.name && { name: part.name }), count: Number(part.count), [part.shape]: shape };
}

export const number = /^\s*\d+([.,]\d+)?\s*$/;
const whole = /^\s*[1-9]\d{0,4}\s*$/;

/** What is wrong with a field by itself; everything else is the daemon's to say. */
export function wrongQuantity(text, example) {
  if (!text?.trim()) return S.plan.empty;
  if (number.test(text)) return S.plan.noUnit(example);
  return null;
}

/** Fields for those parts; `changed` after each key. `places` collects every field by what was typed into it. */
export function partsForm(parts, changed, redraw, places) {
  const one = (part, i) => {
    const input = (key, value, example) => {
      const made = h("input", { value, placeholder: example, autocomplete: "off", maxlength: 60 });
      made.addEventListener("input", () => {
        key(made.value);
        changed();
      });
      return made;
    };
    const count = input((v) => (part.count = v), part.count, "1");
    count.inputMode = "numeric";
    const countBox = field(S.plan.count, count);
    places.push({ box: countBox, input: count, check: (v) => (whole.test(v) ? null : S.plan.empty), part: i });
    const name = field(S.plan.name, input((v) => (part.name = v), part.name, "key cups"));
    const shape = choice(S.shapes, part.shape, () => {
      part.shape = shape.value;
      redraw();
    });
    const sizes = Object.entries(SHAPES[part.shape]).map(([key, metric]) => {
      const example = inUnits(metric);
      const made = input((v) => (part.sizes[key] = v), part.sizes[key] ?? "", example);
      const box = field(S.measures[key], made);
      places.push({ box, input: made, check: (v) => wrongQuantity(v, example), part: i });
      return box;
    });
    return h(
      "fieldset", { class: "part" }, h("legend", {}, S.plan.part(i + 1)),
      h("div", { class: "grid" }, countBox, name, field(S.plan.shape, shape), sizes),
      parts.length > 1 && h("div", { class: "row" }, button(S.plan.remove, () => {
        parts.splice(i, 1);
        redraw();
      })),
    );
  };
  return [parts.map(one), h("div", { class: "row" }, button(S.plan.add, () => {
    parts.push(blank());
    redraw();
  }))];
}

// Fields for quantities, and the parts that hang: shape, sizes, how many.
import { S } from "./strings.js";
import { button, choice, field, h } from "./dom.js";
import { apart, doubtful, inches, meant, tidy } from "./figures.js";

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
  const size = (key) => meant(part.sizes[key] ?? "", apart(SHAPES[part.shape][key])[1]);
  const shape = part.shape === "area" ? size("area") : Object.fromEntries(Object.keys(SHAPES[part.shape]).map((key) => [key, size(key)]));
  return { ...(part.name && { name: part.name }), count: Number(part.count), [part.shape]: shape };
}

const whole = /^\s*[1-9]\d{0,4}\s*$/;

/** What is wrong with a quantity by itself; everything else is the daemon's to say. */
function wrongQuantity(text) {
  if (!text?.trim()) return S.plan.empty;
  return doubtful(text) ? S.plan.comma(text.trim()) : null;
}

/**
 * A field for a quantity with one usual unit, which stands beside it: "34" is 34 mm there. `heard` after each key. `bare`: the unit
 * is that of the example in every house, and no number stands in the empty field.
 * `box.meant()` is what is sent; `box.look(needed)` marks what is wrong and says whether something is.
 */
export function measure(label, value, example, heard, { hint, optional = false, bare = false } = {}) {
  const [number, unit] = bare ? ["", example.split(" ")[1] ?? ""] : apart(example);
  const input = h("input", { value, placeholder: number, autocomplete: "off", maxlength: 60, ...(!inches() && { inputmode: "decimal" }) });
  const box = field(label, input, hint);
  const suffix = h("span", { class: "suffix" }, unit);
  const row = h("div", { class: "with" });
  if (unit) {
    input.before(row);
    row.append(input, suffix);
  }
  // Whoever writes a unit of their own has not this one.
  const own = () => row.classList.toggle("own", /[a-zµ°"]/i.test(input.value));
  box.input = input;
  box.meant = () => meant(input.value, unit);
  box.check = (text) => (optional && !text.trim() ? null : wrongQuantity(text));
  box.look = () => {
    const wrong = box.check(input.value);
    box.wrong(wrong);
    return Boolean(wrong);
  };
  input.addEventListener("input", () => {
    own();
    box.wrong(doubtful(input.value) ? S.plan.comma(input.value.trim()) : null);
    heard?.(input.value);
  });
  // What was understood is shown; it means the same, so that nobody need hear of it.
  input.addEventListener("change", () => {
    if (!doubtful(input.value)) input.value = tidy(input.value, unit);
    own();
  });
  if (value) input.value = tidy(value, unit);
  own();
  return box;
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
    const sizes = Object.entries(SHAPES[part.shape]).map(([key, example]) => {
      const box = measure(S.measures[key], part.sizes[key] ?? "", example, (v) => {
        part.sizes[key] = v;
        changed();
      });
      places.push({ box, input: box.input, check: box.check, sent: box.meant, part: i });
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

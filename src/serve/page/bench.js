// The bench: one card for each station.
import { S } from "./strings.js";
import { h } from "./dom.js";
import { lost, onNews, world } from "./net.js";
import { card } from "./station.js";

export function open(holder, _rest, frame) {
  const cards = new Map();
  const list = h("div", { class: "stations" });
  holder.append(h("h1", { class: "quiet" }, S.views.bench), list);
  const draw = () => {
    for (const [name, { look, at }] of world.stations) {
      if (!cards.has(name)) {
        const made = card(name, frame);
        cards.set(name, made);
        list.append(made.root);
      }
      cards.get(name).draw(look, (performance.now() - at) / 1000, lost());
    }
    list.classList.toggle("many", cards.size > 1);
  };
  draw();
  const quiet = onNews((what) => (what === "stations" || what === "tick") && draw());
  return quiet;
}

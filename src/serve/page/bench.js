// The bench: one card for each station.
import { S } from "./strings.js";
import { h, show } from "./dom.js";
import { get, lost, onNews, world } from "./net.js";
import { card } from "./station.js";
import { neverLogged } from "./figures.js";

/** From this share of its rule on, upkeep is told on the bench. */
const SOON = 0.9;

export function open(holder, _rest, frame) {
  const cards = new Map();
  const list = h("div", { class: "stations" });
  const dues = h("p", { class: "dueline", hidden: true });
  holder.append(h("h1", { class: "quiet" }, S.views.bench), list, dues);

  /** What is due or nearly so, in all tanks; looked up seldom, it changes slowly. */
  async function due() {
    const tanks = await get("/api/v1/tanks").catch(() => []);
    const near = tanks.flatMap((t) => t.upkeep.filter((u) => u.due_ratio >= SOON).map((u) => ({ tank: t.tank, ...u })));
    const line = (heading, rules) => rules.length > 0 && [h("strong", {}, heading), rules.map((u) => h("a", { href: `#/tanks/${encodeURIComponent(u.tank)}` }, `${u.additive}, ${u.tank}`))];
    dues.replaceChildren(...[line(S.tanks.dueNow, near.filter((u) => u.due_ratio >= 1 && !neverLogged(u))), line(S.tanks.neverYet, near.filter(neverLogged)), line(S.tanks.soon, near.filter((u) => u.due_ratio < 1))].flat(2).filter(Boolean));
    show(dues, near.length > 0);
  }
  due();
  const timer = setInterval(due, 60_000);
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
  return () => {
    clearInterval(timer);
    quiet();
  };
}

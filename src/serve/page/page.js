// The frame: which view, live or lost, light or dark, who, STOP.
import { S } from "./page/strings.js";
import { attr, button, choice, field, h, icon, keyed, sentence, set, show } from "./page/dom.js";
import { time, useUnits } from "./page/figures.js";
import { Trouble, askSession, first, hush, listen, lost, mayOperate, off, onNews, operator, post, rename, silentFor, world } from "./page/net.js";
import * as bench from "./page/bench.js";
import { isOpen } from "./page/job.js";

const at = (id) => document.getElementById(id);
const main = at("main");
// A view is fetched when it is first wanted; the bench is there at once.
const VIEWS = {
  bench: () => bench,
  plan: () => import("./page/plan.js"),
  tanks: () => import("./page/tanks.js"),
  runs: () => import("./page/runs.js"),
};

/** So long a notice stays that is no trouble, in milliseconds. */
const NOTICE = 6000;
/** Says something to people once; `loud` is trouble: it interrupts a reader of the screen and stays until it is closed. */
export function tell(text, loud = false, place = at("said")) {
  const close = () => {
    line.remove();
    show(place, place.childElementCount > 0);
  };
  const line = h("p", { class: loud ? "toast loud" : "toast" }, h("span", {}, text), loud && button(S.dismiss, close, "plain"));
  place.replaceChildren(line);
  show(place, true);
  if (loud) set(at("cry"), text);
  else setTimeout(close, NOTICE);
}
export const complain = (error, place) => tell(error instanceof Trouble ? (error.code === "no-answer" ? error.detail : S.trouble(error.detail)) : String(error), true, place);

let leave = null;
let shown = 0;
async function go(focus) {
  const [name, ...rest] = location.hash.replace(/^#\/?/, "").split("/").filter(Boolean).map(decodeURIComponent);
  const view = name in VIEWS ? name : "bench";
  const mine = ++shown;
  for (const link of at("nav").children) attr(link, "aria-current", link.dataset.view === view ? "page" : "false");
  const module = await VIEWS[view]();
  if (mine !== shown) return;
  leave?.();
  at("said").replaceChildren();
  document.title = `${S.views[view]} · ${S.title}`;
  document.body.dataset.view = view;
  const holder = h("div", { class: `view ${view}` });
  main.replaceChildren(holder);
  leave = (await module.open(holder, rest, { tell, complain })) ?? null;
  if (focus) {
    scrollTo(0, 0);
    main.focus({ preventScroll: true });
  }
}

function pulse() {
  const gone = lost();
  const node = at("pulse");
  set(node, gone ? S.lost(time(Math.min(silentFor(), 1e6))) : S.live);
  attr(node, "class", gone ? "gone" : "live");
  document.body.classList.toggle("lost", gone);
  if (!world.at) return;
  const banner = at("lost");
  if (gone && banner.hidden) set(at("cry"), S.lostLong(time(silentFor())));
  if (!gone && !banner.hidden) set(at("cry"), S.foundAgain);
  show(banner, gone);
  if (gone) set(banner, S.lostLong(time(silentFor())));
}

// STOP is on every view, for each station whose output may be on; it asks nothing.
async function stop(name, pressed) {
  const how = pressed.querySelector("small");
  pressed.disabled = true;
  set(how, S.stopping);
  // Nobody waits at the screen for an answer that may not come.
  if (lost()) tell(S.notStopped(name), true);
  try {
    const { said } = await off(name);
    at("said").replaceChildren();
    set(how, S.stopped);
    set(at("cry"), said);
    setTimeout(() => set(how, ""), NOTICE);
  } catch (error) {
    const why = error instanceof Trouble && error.code !== "no-answer" ? ` ${sentence(error.detail)}` : "";
    set(how, "");
    tell(S.notStopped(name) + why, true);
  }
  pressed.disabled = false;
}
function stopbar() {
  const all = [...world.stations.values()].map((s) => s.look);
  const maybe = all.filter((l) => !l.output_known || l.output_on || ["running", "held"].includes(l.run.state) || isOpen(l.job));
  const names = (maybe.length || all.length > 3 ? maybe : all).map((l) => l.station);
  // Who may only watch has no such button: one that does nothing would be pressed.
  if (!mayOperate()) return keyed(at("stopbar"), "watching", () => h("p", { class: "nostop" }, S.watchStop));
  keyed(at("stopbar"), names.join("\n"), () =>
    names.map((name) => {
      const pressed = button(S.STOP(name), () => stop(name, pressed), "stop", { "data-station": name });
      pressed.append(h("small", {}));
      return pressed;
    }),
  );
}

// Light or dark: as the device says, or as the person says.
const THEME = "tankside-theme";
function theme(choice) {
  if (choice === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = choice;
}
theme(localStorage.getItem(THEME) ?? "auto");

/** Shows the name as it is known now, wherever it was typed. */
let named = () => {};
function settings() {
  const pick = choice({ auto: S.set.auto, light: S.set.light, dark: S.set.dark }, localStorage.getItem(THEME) ?? "auto", () => {
    localStorage.setItem(THEME, pick.value);
    theme(pick.value);
  });
  const name = h("input", { autocomplete: "name", maxlength: 60, on: { change: () => rename(name.value) } });
  named = () => {
    name.value = world.session.name ?? (operator() === S.set.nobody ? "" : operator());
  };
  named();
  name.disabled = Boolean(world.session.name);
  const out = button(S.set.logout, async () => {
    await post("/api/v1/session/end", {}).catch(complain);
    location.reload();
  });
  at("settings").replaceChildren(
    field(S.set.name, name), field(S.set.theme, pick), ...(world.session.name ? [out] : []),
    h("p", { class: "hint" }, S.set.units(world.house?.units ?? "")),
  );
}

// Sound on alarm: off until somebody presses, then on at this screen until somebody presses again. After a reload
// browsers let no page make a sound before it was touched: then the button says so, and any touch will do.
const SOUND = "tankside-sound";
const sound = button("", async () => {
  const waits = sound.dataset.waits === "true";
  const on = waits || sound.getAttribute("aria-pressed") !== "true";
  localStorage.setItem(SOUND, on ? "on" : "off");
  await hear(on);
  if (on) (await import("./page/sound.js")).sample();
}, "sound", { id: "sound" });
async function hear(on) {
  heard(on, on);
  (await import("./page/sound.js")).turn(on, (can) => heard(sound.getAttribute("aria-pressed") === "true", !can));
}
function heard(on, waits) {
  attr(sound, "aria-pressed", String(on));
  attr(sound, "data-waits", String(on && waits));
  const words = on && waits ? S.set.soundWaits : on ? S.set.soundOn : S.set.soundOff;
  keyed(sound, words, () => [icon(on && !waits ? "sound" : "mute"), h("span", {}, words)]);
}
heard(false, false);
at("pulse").before(sound);
if (localStorage.getItem(SOUND) === "on") hear(true);
for (const touch of ["pointerdown", "keydown"])
  addEventListener(touch, (event) => {
    // The button itself is pressed in a moment.
    if (sound.dataset.waits === "true" && !sound.contains(event.target)) hear(true);
  });

function may() {
  show(at("may"), !mayOperate());
  set(at("may"), S.watchNote(world.session.name ?? ""));
  document.body.classList.toggle("watching", !mayOperate());
}

let asked = false;
async function login() {
  if (asked) return;
  asked = true;
  hush();
  leave?.();
  leave = null;
  document.body.classList.add("asking-who");
  await (await import("./page/login.js")).open(main);
  document.body.classList.remove("asking-who");
  asked = false;
  await begin();
}

async function begin() {
  try {
    const [session] = await Promise.all([askSession(), first()]);
    if (session.needed && !session.name) return await login();
    useUnits(world.house.units);
    settings();
    may();
    stopbar();
    listen();
    await go(false);
  } catch (error) {
    if (!(error instanceof Trouble)) throw error;
    if (error.code === "no-token") return login();
    set(at("pulse"), error.detail);
    attr(at("pulse"), "class", "gone");
    setTimeout(begin, 1000);
  }
}

at("nav").replaceChildren(...Object.entries(S.views).map(([view, text]) => h("a", { href: `#/${view}`, "data-view": view }, text)));
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault();
  main.focus();
});
addEventListener("hashchange", () => go(true));
// A screen that nobody sees holds no connection, unless it is to sound.
document.addEventListener("visibilitychange", () => {
  if (!world.house || asked) return;
  if (document.hidden && sound.getAttribute("aria-pressed") !== "true") hush();
  else listen();
});
onNews((what) => {
  if (what === "login") login();
  if (what === "name") named();
  pulse();
  if (what === "stations") stopbar();
});
begin();

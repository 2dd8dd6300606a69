// The page in a real browser against a real daemon and a simulated supply: what a plater does and what may go wrong.
// Each check is a sentence that names the bad thing. Started by tests/browser.rs.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { AXE, Hall, SIZES, browser, fill, fillSheet, page, pretend, until } from "./hall.mjs";
import { alarm, job } from "./made.mjs";

let hall = await Hall.open();
const chrome = await browser();
const axe = readFileSync(AXE, "utf8");
let done = 0;

async function check(sentence, deed) {
  const began = Date.now();
  try {
    await deed();
  } catch (error) {
    console.error(`FAILED: ${sentence}\n${error.stack}`);
    await hall.close().catch(() => {});
    process.exit(1);
  }
  done += 1;
  console.log(`ok: ${sentence} (${Date.now() - began} ms)`);
}
async function shut(opened) {
  assert.deepEqual(opened.complaints, [], "the browser complained");
  await opened.context().close();
}
const verdict = (opened, word) => opened.waitForSelector(`.station[data-verdict="${word}"]`);
const unfold = (opened) => opened.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
const words = (opened, selector) => opened.locator(selector).first().innerText();
const rest = () => hall.untilLook("at rest", (l) => !["running", "held"].includes(l.run.state) && l.output_on === false);

/** axe of WCAG 2.2 A and AA and its best practices; evaluated from outside, the page's policy stays as it is. */
async function clean(opened, what) {
  await opened.evaluate(axe);
  const found = await opened.evaluate(() => window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  const said = found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => `${n.target} ${n.failureSummary}`).join("; ")}`);
  assert.deepEqual(said, [], `axe on ${what}`);
}

/** Everything that a glove presses, as wide and high as it is. */
async function large(opened, what) {
  const small = await opened.evaluate(() =>
    [...document.querySelectorAll("a, button, input, select, summary")]
      .filter((e) => e.checkVisibility() && !e.matches(".skip"))
      .map((e) => {
        const box = (e.type === "checkbox" && e.closest("label")) || e;
        const { width, height } = box.getBoundingClientRect();
        return { is: e.outerHTML.slice(0, 90), width, height };
      })
      .filter((e) => e.width < 44 || e.height < 44),
  );
  assert.deepEqual(small, [], `targets under 44 px on ${what}`);
}
async function fits(opened, what) {
  const [wide, has] = await opened.evaluate(() => [document.documentElement.scrollWidth, innerWidth]);
  assert.ok(wide <= has, `${what} is ${wide} px wide on ${has}`);
}
async function sound(opened, what) {
  await clean(opened, what);
  await large(opened, what);
  await fits(opened, what);
}
/** The same page in the other light. */
async function both(opened, what) {
  for (const colorScheme of ["dark", "light"]) {
    await opened.emulateMedia({ colorScheme });
    await sound(opened, `${what}, ${colorScheme}`);
  }
}

/** Texts of a drawing that stand over its edge, or that a line of that class strikes through. */
const cut = (opened, line) =>
  opened.evaluate((line) => {
    const svg = document.querySelector(".picture svg");
    const edge = svg.getBoundingClientRect();
    const lines = [...svg.querySelectorAll(line)].map((l) => l.getBoundingClientRect());
    return [...svg.querySelectorAll("text")].map((t) => [t.textContent, t.getBoundingClientRect()])
      .filter(([, b]) => b.left < edge.left - 1 || b.right > edge.right + 1 || lines.some((l) => l.left < b.right && l.right > b.left && l.top < b.bottom && l.bottom > b.top))
      .map(([text]) => text);
  }, line);

await check("the first picture is heavy, or takes more than one round of questions", async () => {
  const context = await chrome.newContext({ viewport: SIZES.phone });
  const opened = await context.newPage();
  const network = await context.newCDPSession(opened);
  let bytes = 0;
  const asked = [];
  await network.send("Network.enable");
  network.on("Network.loadingFinished", (e) => (bytes += e.encodedDataLength));
  opened.on("request", (r) => r.url().includes("/api/") && asked.push(new URL(r.url()).pathname));
  await opened.goto(hall.url);
  await verdict(opened, "rest");
  await opened.waitForFunction(() => performance.getEntriesByName("first-contentful-paint").length > 0);
  assert.deepEqual(asked.slice(0, 2).sort(), ["/api/v1/house", "/api/v1/session"], "what is asked before the first picture, side by side");
  console.log(`first picture: ${bytes} bytes`);
  assert.ok(bytes > 5_000 && bytes < 60_000, `${bytes} bytes`);
  await context.close();
});

await check("a newcomer cannot run a job from the page alone: plan, rehearse, start, turn, done", async () => {
  const opened = await page(chrome, hall);
  await verdict(opened, "rest");
  await opened.locator(".acts").getByRole("link", { name: "Plan a load" }).click();
  // A comma that may part thousands is marked at its field before anything is asked; one that cannot is taken.
  await opened.getByLabel("Diameter").fill("1,234 mm");
  await opened.waitForSelector(".wrong:not([hidden])");
  assert.match(await words(opened, ".wrong:not([hidden])"), /decimal point or does it part thousands/);
  await fill(opened, "0,1");
  await opened.getByLabel("Diameter").fill("34,0");
  await opened.getByLabel("Turn the parts").selectOption("2");
  await opened.getByText("More", { exact: true }).click();
  await opened.getByLabel("Rise over").fill("1");
  await opened.waitForFunction(() => [...document.querySelectorAll(".keyfigures dd.value")].some((v) => v.textContent === "4.85 A"));
  assert.match(await words(opened, ".turns"), /turn the parts, face 2 of 2/);
  await opened.getByText("The whole worksheet").click();
  assert.equal(await opened.locator(".whole pre").count(), 0, "a page of 80 columns on a screen");
  assert.match(await words(opened, ".whole"), /hold[\s\S]*current 4.845 A/);
  await both(opened, "plan with a worksheet");
  await opened.getByRole("button", { name: "Rehearse" }).click();
  await opened.waitForSelector(".curve svg path.amps");
  assert.match(await words(opened, ".curve"), /came to its target/);
  await opened.getByRole("button", { name: "Start…" }).click();
  assert.match(await words(opened, ".ask"), /4.85 A at a ceiling of 8.00 V/);
  assert.match(await words(opened, ".ask"), /Does the load hang in nickel, and are the supply.s leads on nickel/);
  await opened.getByLabel("Bath nickel, temperature").fill("53,5");
  assert.ok(await opened.locator(".sheet").first().isVisible(), "start is asked without the worksheet in view");
  assert.equal((await hall.look()).run.state, "idle", "the current is on before the answer");
  await opened.getByLabel("Your name").last().fill("mila");
  await both(opened, "start asked");
  await opened.getByRole("button", { name: "Yes: current on" }).click();
  await verdict(opened, "well");
  await verdict(opened, "hand");
  assert.match(await words(opened, ".say"), /Turn the parts: face 2 of 2/);
  const dark = async () => Number(/^No current for (\d+) s\.$/.exec(await words(opened, ".nocurrent"))[1]);
  const first = await dark();
  await until("longer without current", async () => (await dark()) > first);
  await both(opened, "the bench at a turn");
  await opened.getByRole("button", { name: "Done: parts turned" }).click();
  await verdict(opened, "done");
  assert.match(await words(opened, ".say"), /output is off/);
  await both(opened, "the bench when done");
  const [run] = await hall.get("/api/v1/runs");
  assert.equal(run.state, "complete");
  assert.equal(run.started_by, "mila");
  const known = (await hall.get("/api/v1/tanks")).find((t) => t.tank === "nickel").known;
  assert.deepEqual([known.temperature_celsius, known.temperature_by], [53.5, "mila"], "what was read at the tank before the start is lost");
  await shut(opened);
});

await check("a plan that cannot be is not said in its place", async () => {
  const opened = await page(chrome, hall, { size: "phone", scheme: "dark", hash: "#/plan" });
  await opened.waitForSelector(".part");
  await fill(opened);
  await opened.getByText("More", { exact: true }).click();
  await opened.getByLabel("Hold", { exact: true }).selectOption("current");
  await opened.getByLabel("At", { exact: true }).fill("30 A");
  await opened.waitForSelector(".problems");
  assert.match(await words(opened, ".problems"), /10 A/);
  assert.ok(await opened.getByRole("button", { name: "Start…" }).isDisabled());
  await both(opened, "plan with problems");
  await shut(opened);
});

await check("a reload in the middle of a run loses something; hold and resume are not there", async () => {
  await hall.start();
  const opened = await page(chrome, hall);
  await verdict(opened, "well");
  await hall.untilLook("some charge", (l) => l.run.charge_coulombs > 10);
  await opened.reload();
  await verdict(opened, "well");
  assert.match(await words(opened, ".what"), /6 key cups, nickel 8\sµm/);
  assert.match(await words(opened, ".charge .of"), /of 49.5 A·min/);
  assert.match(await words(opened, ".label"), /until you turn the parts/);
  await opened.waitForFunction(() => document.querySelector(".density .hint").textContent.includes("edges burn from about 9.26 A/dm²"));
  await opened.waitForSelector(".picture svg path.amps");
  await both(opened, "the bench at work");
  const large = await opened.evaluate(() => Object.fromEntries([".figure", ".say", ".word"].map((s) => [s, parseFloat(getComputedStyle(document.querySelector(s)).fontSize)])));
  assert.ok(large[".figure"] >= 100 && large[".word"] >= 60 && large[".say"] >= 40, `too small for three metres: ${JSON.stringify(large)}`);
  await opened.getByRole("button", { name: "Hold", exact: true }).click();
  await verdict(opened, "held");
  assert.equal((await hall.untilLook("off", (l) => l.output_on === false)).run.state, "held");
  await opened.getByText(/^No current for \d+ s\.$/).waitFor();
  await opened.getByRole("button", { name: "Resume" }).click();
  await verdict(opened, "well");
  assert.ok(await opened.locator(".nocurrent").isHidden(), "no current, it says, and there is");
  await shut(opened);
});

await check("STOP asks twice, is not on every view, or is out of reach of the keyboard", async () => {
  const opened = await page(chrome, hall, { size: "phone" });
  for (const view of ["tanks", "runs", "plan", "bench"]) {
    await opened.locator(`#nav a[data-view="${view}"]`).click();
    await opened.waitForSelector(`.view.${view}`);
    const stop = opened.getByRole("button", { name: "STOP bench" });
    const box = await stop.boundingBox();
    assert.ok(box && box.y + box.height <= SIZES.phone.height && box.height >= 56, `${view}: ${JSON.stringify(box)}`);
  }
  assert.equal((await hall.look()).run.state, "running");
  await opened.getByRole("button", { name: "STOP bench" }).focus();
  await opened.keyboard.press("Enter");
  await opened.getByRole("button", { name: /STOP bench.*off, confirmed/ }).waitFor();
  assert.equal(await opened.locator(".toast").count(), 0, "what the screen says by itself is said once more over it");
  await verdict(opened, "ended");
  assert.equal((await rest()).run.state, "aborted");
  await shut(opened);
});

await check("an alarm does not say its cause, what to do, or cannot be acknowledged", async () => {
  await hall.start({ turn: undefined });
  const opened = await page(chrome, hall);
  await verdict(opened, "well");
  // A browser without a loudspeaker: what would sound is counted.
  await opened.evaluate(() => {
    window.tones = 0;
    const start = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (...at) {
      window.tones += 1;
      return start.apply(this, at);
    };
  });
  const sound = opened.getByRole("button", { name: /^Sound/ });
  assert.equal(await sound.getAttribute("aria-pressed"), "false", "sound is on by itself");
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  await hall.does("fault open-circuit");
  await opened.waitForSelector(".alarm");
  await verdict(opened, "held");
  // In a hold the current is off, so the condition goes; what was about it stays to be read.
  await opened.waitForSelector('.alarm[data-state="returned-unacknowledged"]');
  await opened.locator(".alarm summary").click();
  const told = await words(opened, ".alarm");
  assert.match(told, /It was: [\s\S]*What was so[\s\S]*What to do[\s\S]*clip/);
  assert.ok(!told.includes("What is so"), `gone, and told as if it stood: ${told}`);
  assert.equal(await opened.evaluate(() => window.tones), 0, "a sound that nobody asked for");
  await sound.click();
  await until("sound on", async () => (await sound.getAttribute("aria-pressed")) === "true");
  await until("a sound", () => opened.evaluate(() => window.tones > 0));
  // It is on at this screen after a reload too: at once where the browser lets it, else after a touch, and it says so.
  await opened.addInitScript(() => {
    window.silenced = true;
    Object.defineProperty(AudioContext.prototype, "state", { get: () => (window.silenced ? "suspended" : "running") });
  });
  await opened.reload();
  await opened.getByRole("button", { name: "Sound on after a touch" }).waitFor();
  assert.equal(await sound.getAttribute("aria-pressed"), "true", "the choice is lost by a reload");
  await both(opened, "the bench with a sound that waits");
  await opened.evaluate(() => (window.silenced = false));
  await opened.locator(".station").click({ position: { x: 2, y: 2 } });
  await opened.getByRole("button", { name: "Sound on" }).waitFor();
  await sound.click();
  await until("sound off", async () => (await sound.getAttribute("aria-pressed")) === "false");
  await opened.reload();
  await opened.getByRole("button", { name: "Sound off" }).waitFor();
  assert.match(await words(opened, ".say"), /clip/);
  await both(opened, "the bench with an alarm");
  const acks = opened.getByRole("button", { name: /I know: acknowledge|Seen: take it off/ });
  await until("every alarm acknowledged", async () => {
    if (await acks.count()) await acks.first().click({ timeout: 2000 }).catch(() => {});
    return (await hall.look()).alarms.every((a) => !a.state.includes("unacknowledged"));
  });
  await hall.does("clear");
  await opened.getByRole("button", { name: "End the run" }).click();
  await verdict(opened, "ended");
  await shut(opened);
});

await check("old values look fresh", async () => {
  const opened = await page(chrome, hall);
  await verdict(opened, "ended");
  await hall.does("fault late-reply 3 s");
  await opened.waitForSelector(".station.stale");
  await verdict(opened, "unknown");
  assert.equal(await words(opened, ".figures .value"), "not known");
  assert.match(await words(opened, ".old"), /\d+ s old/);
  await both(opened, "the bench with old values");
  await hall.does("clear");
  await opened.waitForSelector(".station:not(.stale)");
  await shut(opened);
});

await check("time without current goes on being counted from an old picture, or a run between two questions says nothing that a person can read", async () => {
  const held = (more) => (look) => Object.assign(look, { no_current_seconds: 80, run: { ...look.run, state: "held", phase: "off" } }, more);
  const fresh = await page(chrome, hall, { change: held({ stale: false }) });
  await fresh.getByText(/^No current for (8\d s|1 min \d+ s)\.$/).waitFor();
  await shut(fresh);
  const old = await page(chrome, hall, { change: held({ stale: true }) });
  await old.waitForSelector(".station.stale");
  assert.ok(await old.locator(".nocurrent").isHidden(), "counted on, though nobody has seen the supply since");
  await shut(old);
  for (const phase of ["entry", "ramp", "steady", "turn", "off"]) {
    const opened = await page(chrome, hall, { change: (look) => (look.run = { ...look.run, state: "running", phase, question: null }) });
    await opened.waitForSelector(".station");
    assert.match(await words(opened, ".say"), /^[A-Z][\w ,]+\.( [A-Z][\w ,]+\.)?$/, phase);
    await shut(opened);
  }
});

await check("tanks and runs cannot be read, searched, logged or compared", async () => {
  const opened = await page(chrome, hall, { hash: "#/tanks" });
  const nickel = opened.getByRole("region", { name: "nickel" });
  await nickel.locator("li strong", { hasText: "filter" }).waitFor();
  await both(opened, "tanks");
  await nickel.locator("li", { hasText: "filter" }).getByRole("button", { name: "I did it" }).click();
  await nickel.locator(".dues").getByLabel("Note").fill("new cartridge");
  await nickel.locator(".dues").getByRole("button", { name: "Log it" }).click();
  await nickel.locator("li", { hasText: "filter" }).getByText(/last done/).waitFor();
  await nickel.getByLabel("Temperature").fill("54");
  await nickel.getByRole("button", { name: "Tell" }).click();
  await nickel.getByText("54.0 °C").waitFor();
  await nickel.getByText(/by .*, \d+ s old/).waitFor();
  const hints = await opened.evaluate(() => [...document.querySelectorAll(".panel")].map((p) => p.querySelector(".with input").placeholder));
  assert.ok(hints.length === 4 && new Set(hints).size > 1, `the same temperature for every tank: ${hints}`);
  await opened.locator(".picks").getByRole("link", { name: "nickel" }).click();
  await opened.waitForFunction(() => document.querySelectorAll(".panel").length === 1);
  await nickel.getByText("Log an addition", { exact: true }).click();
  await nickel.getByText("What was logged", { exact: true }).click();
  await nickel.getByLabel("What", { exact: true }).selectOption("make-up");
  await nickel.getByLabel("How much").fill("2 L");
  await nickel.getByLabel("Note").fill("from the drum");
  await nickel.getByRole("button", { name: "Log it" }).first().click();
  await nickel.getByRole("rowheader", { name: "make-up" }).waitFor();
  // What was open is open still; a line is taken back after it was asked in words, and stays.
  const line = nickel.locator(".journal li", { hasText: "make-up, 2 L, from the drum" });
  await line.getByRole("button", { name: "Take it back" }).click();
  assert.match(await line.innerText(), /Take back "make-up, 2 L, from the drum" of .*by|Take back "make-up, 2 L, from the drum" of /);
  assert.ok(!/T\d\d:\d\d/.test(await line.innerText()), "a time as machines write it");
  await line.getByRole("button", { name: "Yes: take it back" }).click();
  await nickel.locator(".journal .undone", { hasText: "make-up" }).waitFor();
  assert.equal(await nickel.locator(".journal li", { hasText: "new cartridge" }).getByRole("button", { name: "Take it back" }).count(), 1, "another line went with it");
  await nickel.getByLabel("What", { exact: true }).selectOption("make-up");
  await nickel.getByRole("button", { name: "Log it" }).first().click();
  await nickel.getByRole("rowheader", { name: "make-up" }).waitFor();
  await nickel.getByRole("rowheader", { name: "key cups" }).waitFor();
  await nickel.locator("svg.tplot").nth(1).waitFor();
  await nickel.getByText("Analyses and Hull panels").click();
  const enter = async (label, text, answer) => {
    const row = nickel.locator(".row.wide", { hasText: label });
    await row.getByRole("textbox").fill(text);
    await row.getByRole("button", { name: "Log it" }).click();
    await nickel.locator(".answer", { hasText: answer }).waitFor();
  };
  // A number for each thing that the bath is made of, its unit beside it; no code.
  const analysis = nickel.getByRole("region", { name: "Log an analysis" });
  await analysis.getByLabel("nickel", { exact: true }).fill("58");
  await analysis.getByLabel("pH").fill("4,2");
  await analysis.getByRole("button", { name: "Only show" }).click();
  await nickel.locator(".answer", { hasText: /nothing was written[\s\S]*add .* of nickel sulfate/ }).waitFor();
  await analysis.getByRole("button", { name: "Log it" }).click();
  await nickel.locator(".answer", { hasText: /Entered/ }).waitFor();
  await enter("Titration", "nickel: 23.2 mL EDTA 0.1 M, sample 2 mL", /nickel, 68.1 g\/L|nickel, 68/);
  await enter("Hull panels", "267 mL 2 A 5 min, burnt to 12 mm, dull from 70 mm", /plan takes/);
  await both(opened, "one tank");
  await opened.setViewportSize(SIZES.phone);
  await sound(opened, "one tank on a phone");
  await opened.locator('#nav a[data-view="runs"]').click();
  await opened.waitForSelector(".runs tbody tr");
  const row = await opened.locator(".runs .scroll").evaluate((e) => ({ wide: e.scrollWidth, has: e.clientWidth }));
  assert.ok(row.wide <= row.has, `runs are cut on a phone: ${JSON.stringify(row)}`);
  assert.match(await words(opened, ".runs tbody tr"), /nickel[\s\S]*(stopped|aborted|complete)/);
  await sound(opened, "runs on a phone");
  await opened.setViewportSize(SIZES.tablet);
  await both(opened, "runs");
  const all = await opened.locator("tbody tr").count();
  await opened.getByLabel("Search").fill("complete mila");
  await until("fewer lines", async () => {
    const found = await opened.locator("tbody tr").count();
    return found > 0 && found < all;
  });
  await opened.getByLabel("Search").fill("no such lot");
  await opened.getByText("Nothing fits.").waitFor();
  await opened.getByLabel("Search").fill("");
  await until("all lines again", async () => (await opened.locator("tbody tr").count()) === all);
  await opened.locator("tbody input").nth(0).check();
  await opened.locator("tbody input").nth(1).check();
  await opened.getByRole("button", { name: "Compare the two" }).click();
  await opened.getByRole("heading", { name: "Two runs side by side" }).waitFor();
  await opened.waitForSelector(".picture svg");
  assert.deepEqual(await cut(opened, ".none"), [], "names in the plot are cut");
  await both(opened, "two runs");
  await opened.getByRole("link", { name: "All runs" }).click();
  await opened.locator("tbody a").first().click();
  await opened.waitForSelector(".keyfigures");
  await both(opened, "a record");
  await opened.setViewportSize(SIZES.phone);
  await sound(opened, "a record on a phone");
  await shut(opened);
});

await check("a run cannot be measured, signed off or judged from its record, or a word in its plot is struck through", async () => {
  const done = (await hall.get("/api/v1/runs")).find((r) => r.state === "complete" && r.title.includes("key cups"));
  const opened = await page(chrome, hall, { hash: `#/runs/${done.id}` });
  await opened.waitForSelector(".picture svg");
  assert.match(await opened.locator(".picture svg").innerHTML(), />\s*turn\s*</);
  assert.deepEqual(await cut(opened, ".tp-ceiling, .tp-volts"), [], "struck through or cut");
  await opened.getByRole("button", { name: "Sign it off" }).click();
  assert.equal(await opened.locator(".signed p").count(), 0, "signed by nobody");
  await opened.getByLabel("Signed by").fill("Mila Brandt");
  await opened.getByLabel("Remark").fill("bright");
  await opened.getByRole("button", { name: "Sign it off" }).click();
  await opened.locator(".signed").getByText(/Signed off by Mila Brandt.*bright/).waitFor();
  await opened.getByText("Measured or weighed").click();
  await opened.getByLabel("Measured by").selectOption("xrf");
  await opened.getByLabel("At the edge").fill("0,11");
  await opened.getByLabel("On the face").fill("0.08 um");
  await opened.getByRole("button", { name: "Enter it" }).first().click();
  await opened.locator("details li", { hasText: "0.110 µm" }).waitFor();
  await opened.getByRole("button", { name: "Take the last back" }).click();
  await opened.locator("details li", { hasText: "taken back" }).waitFor();
  await opened.getByText("Lot, customer, note").click();
  await opened.getByLabel("Lot").fill("K-104");
  await opened.getByRole("button", { name: "Enter it" }).last().click();
  await opened.locator(".signed").getByText("K-104").waitFor();
  await opened.getByLabel("What do the parts look like?").selectOption("dark-edges");
  await opened.getByRole("button", { name: "Ask", exact: true }).click();
  // Each cause leads to what it rests on.
  await opened.locator(".advice h3", { hasText: "dark edges" }).waitFor();
  await unfold(opened);
  await opened.locator(".advice").getByText("edges beyond what the bath could feed").first().waitFor();
  assert.equal(await opened.locator(".advice").getByRole("link", { name: "Look it up: the run's readings" }).first().getAttribute("href"), `/api/v1/runs/${done.id}/record.csv`);
  assert.equal(await opened.locator(".advice").getByRole("link", { name: "Look it up: upkeep of nickel" }).count() + await opened.locator(".advice").getByRole("link", { name: "Look it up: analyses of nickel" }).count() > 0, true, "no way to the tank's record");
  const record = await hall.get(`/api/v1/runs/${done.id}/record.json`);
  assert.equal(record.lot, "K-104");
  assert.equal(record.signatures.at(-1).by, "Mila Brandt");
  await both(opened, "a record signed");
  await opened.setViewportSize(SIZES.phone);
  await sound(opened, "a record signed, on a phone");
  await opened.getByRole("link", { name: "Record to print" }).click();
  await opened.waitForURL(/record\.html/);
  assert.equal(await opened.evaluate(() => getComputedStyle(document.querySelector("dl.facts")).display), "grid", "the record to print has lost its style");
  await shut(opened);
});

await check("an alarm's state cannot be told, or what cannot be put aside is offered to be", async () => {
  const states = { unacknowledged: /new[\s\S]*What it means/, acknowledged: /known/, "returned-unacknowledged": /no longer seen/, shelved: /put aside, until/ };
  for (const [state, said] of Object.entries(states)) {
    const opened = await page(chrome, hall, { change: (look) => (look.alarms = [alarm(state)]) });
    await opened.waitForSelector(`.alarm[data-state="${state}"]`);
    assert.match(await words(opened, ".alarm"), said);
    const offers = await opened.locator(".alarm button").allInnerTexts();
    const wanted = { unacknowledged: ["I know: acknowledge", "Put aside for 30 min"], acknowledged: ["Put aside for 30 min"], "returned-unacknowledged": ["Seen: take it off the list"], shelved: ["Watch it again"] };
    assert.deepEqual(offers, wanted[state], state);
    await both(opened, `an alarm, ${state}`);
    await shut(opened);
  }
  for (const [made, offered] of [[alarm("unacknowledged"), "I know: acknowledge"], [{ ...alarm("acknowledged"), latched: true }, "I have looked: it is gone"]]) {
    const opened = await page(chrome, hall, { change: (look) => (look.alarms = [{ ...made, response: "cut" }]) });
    await opened.waitForSelector(".alarm");
    assert.deepEqual(await opened.locator(".alarm button").allInnerTexts(), [offered]);
    await shut(opened);
  }
  const later = await page(chrome, hall, { size: "phone", change: (look) => Object.assign(look, { job: job(), alarms: [{ ...alarm("returned-unacknowledged"), earlier: true }] }) });
  await later.getByText("From earlier loads: 1").waitFor();
  assert.ok(await later.locator(".alarms").isHidden(), "an alarm of an earlier load stands as if it were of this one");
  await sound(later, "an alarm of an earlier load");
  await shut(later);
});

await check("a job that came to its end is said to have ended early, or its record is not to be found", async () => {
  const ended = job("complete");
  const run = ended.steps.at(-1).run;
  const opened = await page(chrome, hall, { change: (look) => Object.assign(look, { job: ended, run: { ...look.run, state: "aborted", run } }) });
  await verdict(opened, "done");
  assert.match(await words(opened, ".say"), /job is done/);
  assert.equal(await opened.locator(".acts").getByRole("link", { name: "The job's record" }).getAttribute("href"), "#/runs/job/j");
  await both(opened, "a job done");
  await shut(opened);
});

await check("a guided job does not say its step, its question, what can hurt or what may be answered", async () => {
  // Sheets take hours; what the page makes of a job is shown with a picture of one, put in its way.
  const context = await chrome.newContext({ viewport: SIZES.tablet });
  const opened = await context.newPage();
  opened.complaints = [];
  opened.on("pageerror", (error) => opened.complaints.push(String(error)));
  const posted = [];
  await opened.route("**/job/*", (route) => {
    posted.push([new URL(route.request().url()).pathname, route.request().postDataJSON()]);
    return route.fulfill({ json: { station: "bench", said: "taken" } });
  });
  let show = job();
  await pretend(context, hall, (look) => {
    look.job = show;
    // One that has ended is shown beside the run of one of its steps.
    if (show.state === "stopped") show.steps[1].run = look.run.run;
  });
  const open = async () => {
    await opened.goto(hall.url);
    await opened.waitForSelector(".job:not([hidden])");
  };
  await open();
  await opened.evaluate(() => document.querySelector(".job summary").click());
  assert.equal(await opened.locator(".station").getAttribute("data-verdict"), "hand");
  assert.match(await words(opened, ".say"), /Lift the load out/);
  assert.match(await words(opened, ".now"), /Then: rinse: warm water\./);
  assert.match(await words(opened, ".job"), /step 2 of 3[\s\S]*Electroclean/);
  const [hurts, acts] = await Promise.all([opened.locator(".hazards", { hasText: "Hot alkali burns" }).boundingBox(), opened.locator(".acts").boundingBox()]);
  assert.ok(hurts.y + hurts.height <= acts.y, "what can hurt stands below the buttons");
  assert.equal(await opened.getByRole("button", { name: "Cannot: hold the job" }).count(), 1);
  assert.equal(await opened.getByRole("button", { name: "Hold the job", exact: true }).count(), 0, "two buttons that hold the job");
  assert.match(await words(opened, ".label"), /until the load comes out/);
  await sound(opened, "a job");
  await opened.getByRole("button", { name: "Done: it is out", exact: true }).click();
  await until("answered", () => posted.length === 1);
  assert.deepEqual(posted[0], ["/api/v1/stations/bench/job/answer", { by: "somebody at the page", answer: "done", seq: 7 }]);
  await opened.getByRole("button", { name: "Skip this step" }).click();
  await opened.getByLabel("Why", { exact: true }).fill("cleaned by hand");
  await opened.getByRole("button", { name: "Skip it for this reason" }).click();
  await until("skipped", () => posted.length === 2);
  assert.deepEqual(posted[1][1], { by: "somebody at the page", reason: "cleaned by hand" });
  // The "no" of a look leads back, and holds nothing.
  show = { ...job(), question: { ...job().question, about: "inspect", answers: ["yes", "no"] } };
  await open();
  await opened.getByRole("button", { name: "Hold the job", exact: true }).waitFor();
  show = job("held");
  await open();
  assert.equal(await opened.locator(".station").getAttribute("data-verdict"), "held");
  assert.match(await words(opened, ".say"), /water breaks/);
  assert.match(await words(opened, ".clock"), /\+1:35/);
  assert.match(await words(opened, ".jobwarn"), /40 s over/);
  await opened.getByRole("button", { name: "Do it again" }).waitFor();
  assert.equal(await opened.getByRole("button", { name: "Resume" }).count(), 0, "resume is offered where it cannot be");
  await sound(opened, "a held job");
  show = { ...job(), state: "stopped", cause: "stopped by mila", question: null, countdown_seconds: null };
  await open();
  assert.match(await words(opened, ".job"), /ended, stopped; stopped by mila\. Shown until the next start/);
  assert.deepEqual(opened.complaints, []);
  await context.close();
});

await check("the second tap of a double tap answers the next question", async () => {
  const part = [{ name: "key cups", count: 6, disc: { diameter: "34 mm", thickness: "1 mm" } }];
  await hall.post("/api/v1/stations/bench/job", { request: { sheet: "nickel-on-copper-alloys", base: "brass", part } });
  const opened = await page(chrome, hall, { size: "phone" });
  const main = opened.locator(".acts .main");
  await main.waitFor();
  const first = await main.boundingBox();
  await main.click();
  // The next question is there, and its "done" would bring current.
  await opened.waitForSelector(".acts.fresh button.main");
  const next = await main.boundingBox();
  assert.match(await main.innerText(), /Current on/);
  for (const box of [next, first, next]) await opened.mouse.click(box.x + box.width / 2, box.y + box.height / 2);
  assert.ok(await main.isDisabled(), "buttons that take no tap look as if they did");
  await opened.waitForSelector(".acts:not(.fresh) button.main:enabled");
  const { job: stands, output_on } = await hall.look();
  assert.deepEqual([stands.step, stands.state, stands.question.about, output_on], [2, "running", "feed", false]);
  assert.equal(await opened.locator(".toast").count(), 0, "a notice over the buttons");
  await main.click();
  await hall.untilLook("current", (l) => l.output_on === true);
  await opened.getByRole("button", { name: "STOP bench" }).click();
  await rest();
  await hall.post("/api/v1/stations/bench/job/stop", {});
  await shut(opened);
});

await check("a whole sheet cannot be planned and begun from the page alone, or STOP leaves the job at work", async () => {
  const opened = await page(chrome, hall, { hash: "#/plan" });
  await fillSheet(opened);
  await opened.waitForSelector(".sheet ol li");
  assert.equal(await opened.getByLabel("Tank for").count(), 0, "a tank is asked for that is the only one");
  const sheet = await words(opened, ".sheet");
  assert.match(sheet, /7 steps/);
  assert.match(sheet, /rinse: running water[\s\S]*water break again[\s\S]*Turn: after .* of current the output goes off/);
  assert.doesNotMatch(sheet, /water-break|after-acid/, "a name as the terminal has it");
  const nickel = opened.locator(".plansteps > li", { hasText: "face 2 of 2" });
  for (const what of [/Current\s+\d\.\d\d A/, /Density\s+\d\.\d\d A\/dm²/, /Area\s+1\.21 dm²/, /Time/, /Bath\s+48\.9 – 60\.0 °C/, /At most at once\s+\d+/]) assert.match(await nickel.innerText(), what);
  await opened.getByLabel("Turn the parts").selectOption("1");
  await nickel.waitFor({ state: "detached" });
  await opened.getByLabel("Turn the parts").selectOption("");
  await nickel.waitFor();
  const said = await words(opened, ".sheet");
  assert.ok(!/--|probe|edge-factor/.test(said), `words of a command line: ${said}`);
  // Brass in a shop with a silver bath: what steel has to fear comes last, what acid does beside cyanide does not.
  const fears = await opened.locator(".sheet > ul").last().locator("li").allInnerTexts();
  const at = (start) => fears.findIndex((t) => t.startsWith(start));
  assert.ok(at("Nickel salts") < at("The software is not") && at("Acid: rinse well") < at("The software is not") && at("Hardened steel") === fears.length - 1 && at("Hardened steel") > 0, fears.join("\n"));
  await both(opened, "a sheet's plan");
  await opened.getByRole("button", { name: "Rehearse" }).click();
  await opened.locator(".curve", { hasText: "came to the end of the sheet" }).waitFor();
  assert.match(await words(opened, ".curve"), /Charge, nickel[\s\S]*A·min[\s\S]*the job is complete/);
  await both(opened, "a sheet rehearsed");
  assert.equal((await hall.look()).run.state === "running", false, "a rehearsal switched something on");
  // What is refused to who has not said that they know of it is said by the page's own tick box, and not by a flag or a key.
  const known = [];
  await opened.route("**/bench/job", (route) => {
    known.push(route.request().postDataJSON().edges_may_burn ?? false);
    return route.fulfill({ status: 409, contentType: "application/problem+json", json: { code: "refused", detail: 'not started: …; or say that you know it: "edges_may_burn": true', needs: { field: "edges_may_burn", why: "edges would see 30 A/dm² and burn at about 25 A/dm² with air" } } });
  });
  await opened.getByRole("button", { name: "Start…" }).click();
  assert.equal(await opened.locator(".ask input[type=checkbox]").count(), 0, "asked for what nobody doubts");
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await opened.locator(".ask").getByText("Not started. Edges would see 30 A/dm² and burn at about 25 A/dm² with air. To start all the same, tick what follows.").waitFor();
  assert.ok(!/edges_may|--|toast/.test(await words(opened, "body")) && (await opened.locator(".toast").count()) === 0, "said twice, or in the words of a terminal");
  await both(opened, "a start that was refused");
  await opened.getByLabel("I know that edges would burn").check();
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await until("said", () => known.length === 2);
  assert.deepEqual(known, [false, true]);
  await opened.unroute("**/bench/job");
  await opened.getByRole("button", { name: "Not yet" }).click();
  // A supply that failed its commissioning is started by who says that they know it, and by nobody else.
  const tried = [];
  await opened.route("**/api/v1/plan", async (route) => {
    const response = await route.fetch();
    await route.fulfill({ response, json: { ...(await response.json()), supply_failed: "The supply of station bench did not do as it should." } });
  });
  await opened.route("**/bench/job", (route) => {
    tried.push(route.request().postDataJSON().supply_may_fail ?? false);
    return route.fulfill({ status: 409, contentType: "application/problem+json", json: { code: "refused", detail: "not started" } });
  });
  await opened.getByLabel("How many").fill("5");
  await opened.waitForFunction(() => document.querySelector(".sheet:not(.curve) h2")?.textContent.startsWith("5 "));
  await opened.getByRole("button", { name: "Start…" }).click();
  await opened.locator(".ask", { hasText: "did not do as it should" }).waitFor();
  await both(opened, "start asked of a supply that failed");
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await until("refused", () => tried.length === 1);
  await opened.getByLabel("I know that this supply failed its commissioning").check();
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await until("said", () => tried.length === 2);
  assert.deepEqual(tried, [false, true]);
  await opened.unroute("**/api/v1/plan");
  await opened.unroute("**/bench/job");
  await opened.getByRole("button", { name: "Not yet" }).click();
  await opened.getByLabel("How many").fill("6");
  await opened.waitForFunction(() => document.querySelector(".sheet:not(.curve) h2")?.textContent.startsWith("6 "));
  await opened.getByRole("button", { name: "Start…" }).click();
  assert.equal(await opened.getByLabel("I know that this supply failed its commissioning").count(), 0, "a supply that did not fail is doubted");
  await opened.getByLabel("Lot").fill("SAX-12");
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await opened.waitForSelector(".job:not([hidden])");
  await verdict(opened, "hand");
  assert.match(await words(opened, ".job"), /step 1 of 7/);
  await both(opened, "a job begun");
  await opened.locator(".acts").getByRole("button", { name: "Done" }).click();
  await until("the second step", async () => (await hall.look()).job?.step === 2);
  await opened.waitForFunction(() => /step 2 of 7/.test(document.querySelector(".job").innerText));
  const step = (n, state) => hall.untilLook(`step ${n}, ${state}`, (l) => l.job?.step === n && l.job.state === state);
  const press = (name) => opened.locator(".acts").getByRole("button", { name, exact: true }).click();
  await press("Skip this step");
  await opened.getByLabel("Why", { exact: true }).fill("cleaned by hand");
  await press("Skip it for this reason");
  await step(3, "running");
  await opened.waitForFunction(() => /step 3 of 7/.test(document.querySelector(".verdict .what").innerText));
  await press("No");
  await step(2, "running");
  await press("Cannot: hold the job");
  await step(2, "held");
  await verdict(opened, "held");
  await both(opened, "a job held");
  await press("Do it again");
  await step(2, "running");
  await until("current", async () => {
    const answer = opened.locator(".acts .main");
    if (await answer.count()) await answer.first().click({ timeout: 1000 }).catch(() => {});
    return (await hall.look()).output_on === true;
  });
  await verdict(opened, "well");
  await opened.getByRole("button", { name: "STOP bench" }).click();
  await hall.untilLook("off", (l) => l.output_on === false && l.run.state === "aborted");
  await opened.getByRole("button", { name: "End the job" }).click();
  await until("the job's end", async () => !["running", "held"].includes((await hall.look()).job?.state));
  await verdict(opened, "ended");
  assert.match(await words(opened, ".also"), /Why it ended: /);
  // Where what it measured is entered and its rest begun; the paper is one link further.
  await opened.locator(".acts").getByRole("link", { name: "The job's record" }).click();
  await opened.locator(".signoff").waitFor();
  await opened.getByRole("link", { name: "Record to print" }).click();
  await opened.getByRole("heading", { name: "Steps, as they came" }).waitFor();
  assert.equal(await opened.locator(".facts").first().evaluate((e) => getComputedStyle(e).display), "grid", "the record is bare: its style was refused");
  // The run that was a step of it leads there too.
  const inJob = (await hall.get("/api/v1/runs")).find((r) => r.job);
  await opened.goto(`${hall.url}/#/runs/${inJob.id}`);
  assert.match(await opened.getByRole("link", { name: "Record of the whole job" }).getAttribute("href"), new RegExp(`/api/v1/jobs/${inJob.job}/record.html$`));
  // The job is found by its lot, and has what a run has.
  await opened.goto(`${hall.url}/#/runs`);
  await opened.getByLabel("Search").fill("sax-12");
  await until("the job alone", async () => (await opened.locator("tbody tr").count()) === 1);
  assert.match(await words(opened, "tbody tr"), /job: a whole sheet[\s\S]*SAX-12/);
  await both(opened, "jobs found");
  const asked = [];
  opened.on("request", (r) => r.url().includes("/api/v1/") && asked.push(new URL(r.url()).pathname));
  await opened.locator("tbody a").click();
  await opened.locator(".jobsteps li").first().waitFor();
  await opened.getByText("Lot, customer, note").waitFor();
  assert.equal(asked.filter((path) => /\/jobs\/[^/]+\/record\.json$/.test(path)).length, 1, `the record is fetched more than once: ${asked}`);
  assert.deepEqual(asked.filter((path) => /\/runs\/[^/]+$/.test(path)), [], "each run is fetched, and its record has it");
  await opened.getByLabel("Signed by").fill("Mila Brandt");
  await opened.getByRole("button", { name: "Sign it off" }).click();
  await opened.locator(".signed").getByText(/Signed off by Mila Brandt/).waitFor();
  await opened.getByText("Lot, customer, note").click();
  assert.equal(await opened.getByLabel("Lot", { exact: true }).inputValue(), "SAX-12", "the lot is to be typed again");
  await both(opened, "a job's page");
  await opened.setViewportSize(SIZES.phone);
  await sound(opened, "a job's page on a phone");
  // What is not done yet is begun from here, and with the step that is chosen.
  const begin = opened.getByLabel("Begin with");
  assert.deepEqual(await begin.locator("option").allInnerTexts(), ["1. hang", "2. clean"]);
  assert.equal(await begin.inputValue(), "2", "it does not offer the first step that was not done");
  await begin.selectOption("1");
  // How warm a bath is, nobody knows after a while: it is asked here as at the first start, of the baths to come.
  await opened.getByLabel(/cleaner/).fill("61");
  await opened.getByRole("button", { name: "Begin the rest" }).click();
  await until("its warmth on record", async () => (await hall.get("/api/v1/tanks")).find((t) => t.tank === "cleaner").temperature_celsius === 61);
  const goes = await hall.untilLook("the rest of the job", (l) => l.job?.state === "running");
  assert.deepEqual([goes.job.continues, goes.job.step, goes.job.lot], [inJob.job, 1, "SAX-12"]);
  await opened.locator(".acts").getByRole("button", { name: "End the job" }).click();
  await until("the end of the rest", async () => !["running", "held"].includes((await hall.look()).job?.state));
  await opened.setViewportSize(SIZES.tablet);
  await opened.goto(`${hall.url}/#/bench`);
  await opened.waitForSelector(".job:not([hidden])");
  await hall.start({ turn: undefined });
  await verdict(opened, "well");
  assert.ok(await opened.locator(".job").isHidden(), "yesterday's job beside today's run");
  await opened.getByRole("button", { name: "STOP bench" }).click();
  await rest();
  await shut(opened);
});

await check("a sheet whose role two tanks could play cannot be planned from the page, or another tank than the chosen one is worked", async () => {
  const other = await Hall.open({ bright: true });
  const opened = await page(chrome, other, { hash: "#/plan" });
  await fillSheet(opened);
  const which = opened.getByLabel("Tank for nickel");
  await opened.locator(".field", { has: which }).getByText("choose the tank for nickel: nickel or bright", { exact: true }).waitFor();
  assert.equal(await opened.getByLabel(/^Tank for/).count(), 1, "asked for roles that one tank alone could play");
  assert.deepEqual(await which.locator("option").allInnerTexts(), ["…", "nickel: Watts nickel", "bright: Bright nickel"]);
  await both(opened, "a plan that asks for a tank");
  await which.selectOption("bright");
  await opened.locator(".plansteps > li", { hasText: ", tank bright" }).waitFor();
  assert.equal(await opened.locator(".plansteps > li", { hasText: ", tank nickel" }).count(), 0, "both tanks are in the plan");
  await opened.reload();
  await opened.locator(".plansteps > li", { hasText: ", tank bright" }).waitFor();
  await opened.getByRole("button", { name: "Start…" }).click();
  await opened.getByRole("button", { name: "Yes: begin the job" }).click();
  await opened.waitForSelector(".job:not([hidden])");
  const { job } = await other.look();
  assert.deepEqual(job.steps.filter((s) => s.kind === "powered").map((s) => s.tank), ["cleaner", "bright"]);
  await shut(opened);
  await other.close();
});

await check("a phone shows less than a tablet, or the switch for light and dark does nothing", async () => {
  const opened = await page(chrome, hall, { size: "phone", scheme: "light" });
  await opened.waitForSelector(".station");
  const paper = () => opened.evaluate(() => getComputedStyle(document.body).backgroundColor);
  const light = await paper();
  await opened.getByLabel("Light or dark").selectOption("dark");
  assert.notEqual(await paper(), light);
  await opened.reload();
  await opened.waitForSelector(".station");
  assert.notEqual(await paper(), light, "forgotten at a reload");
  await sound(opened, "the bench on a phone, dark by the switch");
  await opened.keyboard.press("Tab");
  assert.equal(await opened.evaluate(() => document.activeElement.className), "skip");
  await shut(opened);
});

await check("a lost daemon is not told within three seconds, or is not found again", async () => {
  const opened = await page(chrome, hall);
  await opened.waitForSelector(".station:not(.stale)");
  const began = Date.now();
  await hall.kill();
  await opened.waitForSelector("#lost:not([hidden])");
  const took = Date.now() - began;
  assert.ok(took < 3000, `${took} ms`);
  await verdict(opened, "unknown");
  assert.match(await words(opened, ".say"), /Go to the supply/);
  await opened.getByRole("button", { name: "STOP bench" }).click();
  await opened.locator("#said", { hasText: "NOT STOPPED" }).waitFor();
  assert.match(await words(opened, "#said"), /Switch the supply of bench off by hand/);
  await both(opened, "a lost daemon");
  await hall.serve();
  await opened.waitForSelector("#lost[hidden]", { state: "attached" });
  await opened.waitForSelector(".station:not(.stale)");
  await shut(opened);
});

await check("a load that was cut off by a killed daemon is told as a bench at rest, or its record is not to be found", async () => {
  const opened = await page(chrome, hall);
  await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady" && l.run.charge_coulombs > 60);
  await hall.kill();
  await hall.serve();
  await verdict(opened, "ended");
  await opened.locator(".say", { hasText: "cut off" }).waitFor();
  assert.match(await words(opened, ".also"), /6 key cups, nickel 8.µm: .*stopped in the middle of it.*On the parts now: /);
  await both(opened, "a load cut off");
  await opened.locator(".acts").getByRole("link", { name: "What it got" }).click();
  await opened.locator(".signoff").waitFor();
  assert.match(await words(opened, "main"), /Why it ended: interrupted/);
  // Whoever has seen to it says so, once.
  await opened.goto(`${hall.url}/#/bench`);
  await verdict(opened, "ended");
  await opened.locator(".acts:not(.fresh)").getByRole("button", { name: "The parts are out" }).click();
  await verdict(opened, "rest");
  await opened.reload();
  await verdict(opened, "rest");
  await hall.start({ turn: undefined });
  await verdict(opened, "well");
  await hall.post("/api/v1/stations/bench/stop", {});
  await verdict(opened, "ended");
  assert.doesNotMatch(await words(opened, ".say"), /cut off/);
  await shut(opened);
});

await check("the bath that was read is told as the one in which the load hangs", async () => {
  const bath = (tank) => (look) => Object.assign(look, { job: job(), run: { ...look.run, state: "complete", tank }, bath: { ...look.bath, temperature_celsius: 54 } });
  const gauge = ".figures > div:last-child";
  const here = await page(chrome, hall, { change: bath("cleaner") });
  await here.locator(gauge, { hasText: "54.0 °C" }).waitFor();
  await shut(here);
  const elsewhere = await page(chrome, hall, { change: bath("nickel") });
  await elsewhere.locator(gauge, { hasText: "50.0 °C to 80.0 °C is right" }).waitFor();
  assert.match(await words(elsewhere, gauge), /not known/);
  await shut(elsewhere);
});

await check("who may only watch meets buttons that look usable, US units are not kept, or a second station is not there", async () => {
  await hall.close();
  hall = await Hall.open({ units: "us", second: true, tokens: ["watch", "operate"] });
  const opened = await page(chrome, hall, { hash: "#/plan" });
  const logIn = async (token) => {
    await opened.getByLabel("Token").fill(token);
    await opened.getByRole("button", { name: "Log in" }).click();
  };
  await opened.waitForSelector(".login");
  await both(opened, "the log-in");
  await logIn("not-a-token-that-anybody-made");
  await opened.waitForSelector(".wrong:not([hidden])");
  assert.ok(await opened.locator("#stopbar").isHidden() && (await opened.locator("#nav").isHidden()), "what cannot be used yet is shown");
  await both(opened, "the log-in refused");
  await logIn(hall.tokens.watch);
  await opened.waitForSelector(".parts");
  assert.match(await words(opened, "#may"), /may only watch/);
  assert.equal(await opened.locator(".with", { hasText: "in" }).getByPlaceholder("1.3").count(), 1, "an example in millimetres");
  await opened.getByLabel("How many").fill("6");
  await opened.getByLabel("Diameter").fill("1.34 in");
  await opened.getByLabel("Thickness", { exact: true }).fill("0.04 in");
  await opened.getByLabel("How much").fill("300 uin");
  await opened.waitForSelector(".keyfigures");
  assert.match(await words(opened, ".keyfigures"), /A\/ft²[\s\S]*in²[\s\S]*µin/);
  assert.ok(await opened.getByRole("button", { name: "Start…" }).isDisabled());
  await both(opened, "a plan that may not be started");
  await hall.start({ turn: undefined });
  await opened.locator('#nav a[data-view="bench"]').click();
  await verdict(opened, "well");
  const cards = () => opened.locator(".station").evaluateAll((all) => all.map((c) => [c.dataset.station, c.dataset.verdict]));
  assert.deepEqual(await cards(), [["barrel", "unknown"], ["bench", "well"]]);
  assert.match(await opened.locator('.station[data-station="bench"] .density').innerText(), /A\/ft²/);
  const usable = await opened.evaluate(() => [...document.querySelectorAll("main button, #stopbar button")].filter((b) => b.checkVisibility() && !b.disabled).map((b) => b.textContent));
  assert.deepEqual(usable, [], "usable, and may not be used");
  assert.match(await words(opened, "#stopbar"), /the supply's own switch/);
  await both(opened, "two stations, watched");
  await opened.locator('#nav a[data-view="tanks"]').click();
  await opened.waitForSelector(".panel");
  assert.equal(await opened.locator(".panel button:not([disabled])").count(), 0);
  await both(opened, "tanks, watched");
  await opened.getByRole("button", { name: "Log out" }).click();
  await opened.waitForSelector(".login");
  await logIn(hall.tokens.operate);
  await opened.waitForSelector(".view");
  assert.ok(await opened.locator("#may").isHidden());
  await opened.locator('#nav a[data-view="bench"]').click();
  await opened.getByRole("button", { name: "STOP bench" }).click();
  await hall.untilLook("off", (l) => l.output_on === false);
  // A view that asks for nothing by itself: only the stream can tell.
  await opened.locator('#nav a[data-view="tanks"]').click();
  await opened.waitForSelector(".panel");
  hall.revoke("operate");
  await opened.waitForSelector(".login");
  await shut(opened);
});

await chrome.close();
await hall.close();
console.log(`${done} checks`);
process.exit(0);

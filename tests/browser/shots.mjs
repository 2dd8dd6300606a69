// Every view at every size, light and dark, for a person to look at: node tests/browser/shots.mjs [FOLDER] [WORD…]
// With words, only pictures whose name has each of them ("alarm phone"), or with a comma one of several ("alarm,job").
// LIVE=1 shows the page's source as it stands, without a build.
import { mkdirSync } from "node:fs";
import { Hall, SIZES, browser, fill, fillSheet, page } from "./hall.mjs";
import { alarm, job } from "./made.mjs";

const [folder = "target/shots", ...words] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });
let hall = null;
const chrome = await browser();
const wanted = (file) => words.every((word) => word.split(",").some((w) => file.includes(w)));
const files = (name) => Object.keys(SIZES).flatMap((size) => ["light", "dark"].map((scheme) => [`${name}-${size}-${scheme}.png`, size, scheme])).filter(([file]) => wanted(file));
/** Whether any picture of these is asked for: what leads to them is not played otherwise. */
const any = (...names) => names.some((name) => files(name).length > 0);

/** `before` and `after` are played for each picture: what has passed by the second one would not be seen on it. */
async function shoot(name, hash, ready, then, { change = null, before, after } = {}) {
  for (const [file, size, scheme] of files(name)) {
    await before?.();
    const opened = await page(chrome, hall, { size, scheme, hash, change });
    await opened.waitForSelector(ready);
    await then?.(opened);
    // A screen as tall as the page: STOP stands at its foot and not across its middle.
    const tall = await opened.evaluate(() => document.body.scrollHeight);
    if (size === "phone" || hash) await opened.setViewportSize({ width: SIZES[size].width, height: Math.max(SIZES[size].height, tall) });
    await opened.screenshot({ path: `${folder}/${file}` });
    await after?.(opened);
    if (opened.complaints.length) console.log(file, opened.complaints);
    await opened.context().close();
  }
}
const station = (verdict) => `.station[data-verdict="${verdict}"]`;
const trend = (p) => p.waitForSelector(".picture path.amps", { state: "attached" });
const unfold = (p) => p.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
const complete = () => hall.untilLook("complete", (l) => l.run.state === "complete");
const plan = async (p) => {
  await fill(p);
  await p.waitForSelector(".keyfigures");
  await p.getByRole("button", { name: "Rehearse" }).click();
  await p.waitForSelector(".curve svg");
};
const asked = async (p) => {
  await fill(p);
  await p.waitForSelector(".keyfigures");
  await p.getByRole("button", { name: "Start…" }).click();
};

hall = await Hall.open();
await shoot("idle", "", station("rest"));
await shoot("plan", "#/plan", ".parts", plan);
await shoot("start", "#/plan", ".parts", asked);
await shoot("plan-wrong", "#/plan", ".parts", async (p) => {
  await p.getByLabel("Diameter").fill("1,234");
  await p.waitForSelector(".wrong:not([hidden])");
});
await shoot("plan-sheet", "#/plan", ".parts", async (p) => {
  await fillSheet(p);
  await p.waitForSelector(".sheet ol li");
});
await hall.start({ end: { thickness: "0.05 um" }, turn: undefined });
const first = (await complete()).run.run;
await shoot("done", "", station("done"), trend);
await shoot("after", `#/runs/${first}`, ".signoff", async (p) => {
  await p.getByLabel("Signed by").fill("Mila Brandt");
  await p.getByRole("button", { name: "Sign it off" }).click();
  await p.locator(".signed").getByText("Signed off by Mila Brandt").first().waitFor();
  await p.getByText("Measured or weighed").click();
  await p.getByLabel("Measured by").selectOption("xrf");
  await p.getByLabel("At the edge").fill("0.09 um");
  await p.getByLabel("On the face").fill("0.045 um");
  await p.getByRole("button", { name: "Enter it" }).first().click();
  await p.locator("details [aria-live] > *").first().waitFor();
  await p.getByLabel("What do the parts look like?").selectOption("dark-edges");
  await p.getByRole("button", { name: "Ask", exact: true }).click();
  await p.locator(".advice .cause, .advice details").first().waitFor();
});
await hall.post("/api/v1/tanks/nickel/bath", { temperature: "54 degC" });
if (any("well", "runs", "record", "compare", "tanks", "tank-open", "turn", "alarm", "returned")) {
  await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady" && l.run.charge_coulombs > 60);
  await shoot("well", "", station("well"), trend);
  await hall.post("/api/v1/stations/bench/stop", {});
  await hall.start({ end: { thickness: "0.2 um" } });
  await hall.untilLook("a turn", (l) => l.run.question?.["turn-part"]);
  await shoot("turn", "", station("hand"), trend);
  await hall.post("/api/v1/stations/bench/answer", { answer: "done" });
  await complete();
  await shoot("runs", "#/runs", "tbody tr");
  const [{ id: last }] = await hall.get("/api/v1/runs");
  await shoot("record", `#/runs/${last}`, ".picture svg");
  await shoot("compare", `#/runs/${first}/${last}`, ".picture svg");
  await shoot("tanks", "#/tanks", ".tanks .panel");
  await shoot("tank-open", "#/tanks/nickel", ".tanks .panel", async (p) => {
    await unfold(p);
    const analysis = p.getByRole("region", { name: "Log an analysis" });
    for (const [what, value] of [["nickel", "58"], ["chloride", "8"], ["boric acid", "38"], ["pH", "4,8"]]) await analysis.getByLabel(what, { exact: true }).fill(value);
    await analysis.getByRole("button", { name: "Only show" }).click();
    await p.locator(".answer li").first().waitFor();
    await p.waitForSelector(".picture svg");
  });
  await shoot("alarm", "", station("act"), trend, {
    before: async () => {
      await hall.start({ turn: undefined });
      await hall.untilLook("steady", (l) => l.run.phase === "steady");
      await hall.does("fault open-circuit");
      await hall.untilLook("an alarm", (l) => l.alarms.length > 0);
    },
    after: async () => {
      await hall.does("clear");
      await hall.post("/api/v1/stations/bench/stop", {}).catch(() => {});
      await hall.untilLook("ended", (l) => l.run.state === "stopped");
    },
  });
  await shoot("returned", "", ".alarm", trend);
}
const states = ["unacknowledged", "acknowledged", "returned-unacknowledged", "shelved"];
await shoot("states", "", ".alarm", trend, {
  change: (look) => (look.alarms = states.map((state, i) => alarm(state, ["drift", "part-off", "voltage-limit", "burn-margin"][i]))),
});
await shoot("job", "", ".job:not([hidden])", null, { change: (look) => (look.job = job()) });
await shoot("job-held", "", ".job:not([hidden])", unfold, { change: (look) => (look.job = job("held")) });
await shoot("job-done", "", station("done"), null, {
  change: (look) => {
    look.job = job("complete");
    look.run = { ...look.run, state: "aborted", run: look.job.steps.at(-1).run };
  },
});
if (any("stale")) {
  await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  const old = '.old:text-matches("last heard .* ago")';
  const stale = async (p) => {
    await trend(p);
    hall.daemon.kill("SIGSTOP");
    await p.waitForSelector(".station.stale");
    // The banner and how old it is stand on it before the picture is taken, and after.
    await p.waitForSelector("#lost:not([hidden])");
    await p.locator(old).waitFor();
  };
  await shoot("stale", "", station("well"), stale, {
    after: async (p) => {
      if (!(await p.locator(old).isVisible())) throw new Error("the picture shows the recovery and not the outage");
      hall.daemon.kill("SIGCONT");
      return hall.untilLook("heard again", (l) => l.run.phase === "steady");
    },
  });
}
if (any("held")) {
  // After other pictures a run is on already.
  if ((await hall.look()).run.state !== "running") await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  await hall.post("/api/v1/stations/bench/hold", {});
  await hall.untilLook("held", (l) => l.run.state === "held");
  await shoot("held", "", station("held"), (p) => p.locator(".nocurrent").waitFor());
  await hall.post("/api/v1/stations/bench/stop", {});
}
await hall.close();

if (any("bright-plan", "bright-refused")) {
  hall = await Hall.open({ bright: true });
  const sheet = async (p) => {
    await fillSheet(p);
    await p.locator(".wrong:not([hidden])").first().waitFor();
  };
  await shoot("bright-plan", "#/plan", ".parts", sheet);
  await shoot("bright-refused", "#/plan", ".parts", async (p) => {
    await sheet(p);
    await p.getByLabel("Tank for nickel").selectOption("bright");
    await p.route("**/bench/job", (route) => route.fulfill({ status: 409, contentType: "application/problem+json", json: { code: "refused", detail: "not started", needs: { field: "edges_may_burn", why: "step \"nickel\": edges would see 30 A/dm² and burn at about 25 A/dm² with air: dark, hard edges. Hold at most 4 A/dm², or move the solution more" } } }));
    await p.locator(".plansteps").waitFor();
    await p.getByRole("button", { name: "Start…" }).click();
    await p.getByRole("button", { name: "Yes: begin the job" }).click();
    await p.locator(".ask .wrong:not([hidden])").first().waitFor();
  });
  await hall.close();
}
if (any("us-plan", "us-well", "us-tanks", "us-runs")) {
  hall = await Hall.open({ units: "us" });
  await shoot("us-plan", "#/plan", ".parts", plan);
  await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  await shoot("us-well", "", station("well"), trend);
  await shoot("us-tanks", "#/tanks/nickel", ".tanks .panel", unfold);
  await shoot("us-runs", "#/runs", "tbody tr");
  await hall.close();
}
if (any("two")) {
  hall = await Hall.open({ second: true });
  await hall.start();
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  await shoot("two", "", station("well"), trend);
  await shoot("two-plan", "#/plan", ".parts", fill);
  await hall.close();
}
if (any("login", "watch-bench", "watch-plan", "watch-tanks", "watch-runs")) {
  hall = await Hall.open({ tokens: ["watch", "operate"] });
  await shoot("login", "", ".login", async (p) => {
    await p.getByLabel("Token").fill("wrong");
    await p.getByRole("button", { name: "Log in" }).click();
    await p.waitForSelector(".wrong:not([hidden])");
  });
  const enter = (ready, then) => async (p) => {
    await p.getByLabel("Token").fill(hall.tokens.watch);
    await p.getByRole("button", { name: "Log in" }).click();
    await p.waitForSelector(ready);
    await then?.(p);
  };
  await shoot("watch-plan", "#/plan", ".login", enter(".parts", async (p) => {
    await fill(p);
    await p.waitForSelector(".keyfigures");
  }));
  await hall.start({ turn: undefined, end: { thickness: "0.3 um" } });
  await hall.untilLook("steady", (l) => l.run.phase === "steady");
  await shoot("watch-bench", "", ".login", enter(".station", trend));
  await complete();
  await shoot("watch-tanks", "#/tanks", ".login", enter(".panel", unfold));
  const [{ id }] = await hall.get("/api/v1/runs");
  await shoot("watch-runs", `#/runs/${id}`, ".login", enter(".picture svg"));
  await hall.close();
}
await chrome.close();

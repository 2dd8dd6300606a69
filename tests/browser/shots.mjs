// Every view at every size, light and dark, for a person to look at: node tests/browser/shots.mjs [FOLDER] [WORD…]
// With words, only pictures whose name has one of them.
import { mkdirSync } from "node:fs";
import { Hall, SIZES, browser, fill, page } from "./hall.mjs";

const [folder = "target/shots", ...words] = process.argv.slice(2);
mkdirSync(folder, { recursive: true });
const hall = await Hall.open();
const chrome = await browser();

async function shoot(name, hash, ready, then) {
  for (const size of Object.keys(SIZES)) {
    for (const scheme of ["light", "dark"]) {
      const file = `${name}-${size}-${scheme}.png`;
      if (words.length && !words.some((word) => file.includes(word))) continue;
      const opened = await page(chrome, hall, { size, scheme, hash });
      await opened.waitForSelector(ready);
      await then?.(opened);
      // A screen as tall as the page: STOP stands at its foot and not across its middle.
      const tall = await opened.evaluate(() => document.body.scrollHeight);
      if (size === "phone" || hash) await opened.setViewportSize({ width: SIZES[size].width, height: Math.max(SIZES[size].height, tall) });
      await opened.screenshot({ path: `${folder}/${file}` });
      if (opened.complaints.length) console.log(file, opened.complaints);
      await opened.context().close();
    }
  }
}
const station = (verdict) => `.station[data-verdict="${verdict}"]`;
const trend = (p) => p.waitForSelector(".picture svg");

const plan = async (p) => {
  await fill(p);
  await p.waitForSelector(".keyfigures");
  await p.getByRole("button", { name: "Rehearse" }).click();
  await p.waitForSelector(".curve svg");
};
await shoot("idle", "", station("rest"));
await shoot("plan", "#/plan", ".parts", plan);
await shoot("plan-wrong", "#/plan", ".parts", async (p) => {
  await p.getByLabel("Diameter").fill("34");
  await p.waitForSelector(".wrong:not([hidden])");
});
await hall.start({ end: { thickness: "0.05 um" }, turn: undefined });
await hall.untilLook("complete", (l) => l.run.state === "complete");
await shoot("done", "", station("done"), trend);
await hall.post("/api/v1/tanks/nickel/bath", { temperature: "54 degC" });
await hall.start();
await hall.untilLook("steady", (l) => l.run.phase === "steady" && l.run.charge_coulombs > 60);
await shoot("well", "", station("well"), trend);
await shoot("runs", "#/runs", "tbody tr");
const { 0: run } = await hall.get("/api/v1/runs");
await shoot("record", `#/runs/${run.id}`, ".keyfigures");
await shoot("tanks", "#/tanks", ".tanks .panel");
await hall.post("/api/v1/stations/bench/stop", {});
await hall.start({ end: { thickness: "0.2 um" } });
await hall.untilLook("a turn", (l) => l.run.question?.["turn-part"]);
await shoot("turn", "", station("hand"), trend);
await hall.post("/api/v1/stations/bench/answer", { answer: "done" });
await hall.untilLook("steady again", (l) => l.run.phase === "steady");
await hall.does("fault open-circuit");
await hall.untilLook("an alarm", (l) => l.alarms.length > 0);
await shoot("alarm", "", ".alarm", trend);
await hall.does("clear");
await hall.post("/api/v1/stations/bench/stop", {}).catch(() => {});
await hall.start();
await hall.untilLook("steady", (l) => l.run.phase === "steady");
await shoot("stale", "", station("well"), async (p) => {
  await trend(p);
  await p.context().setOffline(true);
  await p.evaluate(() => 0);
  hall.daemon.kill("SIGSTOP");
  await p.waitForSelector(".station.stale");
  hall.daemon.kill("SIGCONT");
});
await chrome.close();
await hall.close();

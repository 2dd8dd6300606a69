// The alarms of a station: what is so, what to do, and what may be done about the alarm itself.
import { S } from "./strings.js";
import { h, icon, sentence } from "./dom.js";
import * as F from "./figures.js";

const RAISED = ["unacknowledged", "acknowledged"];
export const standing = (look) => look.alarms.filter((a) => RAISED.includes(a.state));

/** One alarm; `act(text, verb, more, kind)` makes the button that sends `verb`. One that `speaks` is told in large already. */
export function alarmCard(a, act, speaks = false) {
  const stands = RAISED.includes(a.state);
  const at = F.clock(new Date(a.since));
  const facts = (words) => h("dl", {}, words.map(([name, text]) => text && [h("dt", {}, name), h("dd", {}, text)]));
  const unseen = [S.unseen, a.unseen];
  const urgent = stands ? S.within(a.respond_within_minutes) : null;
  const until = a.state === "shelved" && a.shelved_until ? S.untilClock(F.clock(new Date(a.shelved_until))) : a.gone ? S.cameWent(at, F.clock(new Date(a.gone))) : S.since(at);
  const head = h("h3", {}, icon(stands ? (a.priority === "high" ? "act" : "look") : "rest"), h("span", {}, S.watches[a.watch] ?? a.watch.replaceAll("-", " ")), h("small", {}, [S.alarmState[a.gone_unseen ? "dark" : a.state] ?? a.state, until, urgent].filter(Boolean).join(", ")));
  // What has gone is told as what was: nobody shall look for it.
  const body = stands
    ? speaks ? [] : [h("p", { class: "seen" }, sentence(a.text)), facts([[S.remedy, a.remedy]])]
    : [h("p", { class: "was" }, S.seenThen(a.text)), h("details", {}, h("summary", {}, S.aboutIt), facts([[S.causeGone, a.cause], [S.remedy, a.remedy], unseen]))];
  const may = [
    a.state === "unacknowledged" && act(S.act.ack, `alarms/${a.watch}/ack`, {}, "main"),
    a.latched && act(S.act.looked, `alarms/${a.watch}/ack`, {}, "main"),
    a.state === "returned-unacknowledged" && act(S.act.seen, `alarms/${a.watch}/ack`, {}),
    // What stops the current may not be put aside; the daemon would refuse it.
    stands && a.response === "tell" && act(S.act.shelve, `alarms/${a.watch}/shelve`, { time: S.shelveTime }),
    a.state === "shelved" && act(S.act.unshelve, `alarms/${a.watch}/unshelve`, {}),
  ].filter(Boolean);
  return h("div", { class: "alarm", "data-priority": a.priority, "data-state": a.state }, head, body, may.length > 0 && h("div", { class: "row" }, may),
    stands && h("details", {}, h("summary", {}, S.meaning), facts([[S.cause, a.cause], [S.consequence, a.consequence], unseen])));
}

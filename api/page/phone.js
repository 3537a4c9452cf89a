// The phone page: one van's day. Everything told goes into the pocket first and is sent
// from there, each with an id of its own: sent again after a broken connection it is
// known, and counts once.

import { clock, clockOf, compare, dateOf, fold, nameOf, sayFact, sayMinutes, setZone, split } from "./phone-day.js";
import { make } from "./draw.js";
import { icon } from "./phone-draw.js";
import * as pocket from "./phone-pocket.js";
import { pickLines, showDay, showHead, toolsAtStart } from "./phone-sheet.js";
import * as talk from "./phone-talk.js";
import * as wire from "./phone-wire.js";

const HOLD_MS = 5_000; // so long a fact can be taken back with one touch
const CODE_MS = 30_000; // so long a code is shown
const LOOK_MS = 30_000; // a stream can die silently: look so often all the same
const FOLLOW_MS = 4_000; // so long after something was told the plan has mostly followed
const STALE_MS = 180_000; // older than this the plan is called old
const RETRY_MS = [1_000, 2_000, 5_000, 10_000, 20_000, 30_000];
const BATCH = 50;

const state = {
  session: null, // {van_id, expires_at}
  why: "", // why it has to be paired again
  sheet: null, // {body, etag, plan, checked_ms}: checked_ms by the phone's clock
  absent: "", // why there is no sheet
  facts: [],
  ticks: new Set(),
  opened: {}, // what was unfolded
  news: [],
  offset_ms: 0, // service's clock less the phone's
  isUp: null, // did the last try reach the service? null: not tried yet
  trouble: "", // what the service said when it did not take a batch
  after: null, // last event
  emergencyNumber: "",
  code: null, // {call_id, text, ends_ms, left()}: in memory only
};

const $ = (id) => document.getElementById(id);
const now_ms = () => Date.now() + state.offset_ms;

// --- showing ------------------------------------------------------------------------

let isPressed = false; // nothing is redrawn under a finger
let isDue = false;
addEventListener("pointerdown", () => {
  isPressed = true;
});
for (const name of ["pointerup", "pointercancel"]) {
  addEventListener(name, () => {
    isPressed = false;
    if (isDue) setTimeout(render, 0); // after the click
  });
}

function say(words) {
  $("said").textContent = "";
  // Emptied first, or the same words twice would be read once.
  setTimeout(() => {
    $("said").textContent = words;
  }, 50);
}

function put(element, children) {
  const key = document.activeElement?.dataset?.key;
  const fresh = document.createElement(element.tagName);
  fresh.append(...[children].flat(Infinity).filter(Boolean));
  // What did not change stays where it is, for screen readers and for fingers.
  if (fresh.innerHTML === element.innerHTML) return;
  element.replaceChildren(...fresh.childNodes);
  if (key && document.activeElement === document.body) {
    document.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
  }
}

function render() {
  if (isPressed) {
    isDue = true;
    return;
  }
  isDue = false;
  if (state.session === null) return showPairing();
  document.body.classList.remove("is-pairing");
  if (state.sheet === null) return showAbsent();
  const view = look();
  put($("head"), showHead(view));
  put($("main"), showDay(view));
  put($("bar"), showBar(view));
  $("bar").hidden = !view.canTell;
  document.title = view.now === null ? "keyround: my day" : `${nameOf(view.now)}: my day`;
}

// All a screen needs, worked out anew.
function look() {
  const sheet = state.sheet.body;
  setZone(sheet.zone);
  const mine = state.facts.filter(
    (each) => each.day === sheet.day && each.state !== "refused" && (!each.isIn || isRemembered(each.body)),
  );
  const lately = mine.findLast((each) => each.body.kind === "late");
  const day = fold(sheet, mine.map((each) => each.body));
  const parts = split(day.stops);
  const calls = day.stops.filter((each) => each.kind === "call");
  const today = dateOf(now_ms(), sheet.zone);
  return {
    ...day,
    ...parts,
    sheet,
    calls: calls.length,
    ordinal: calls.indexOf(parts.now) + 1,
    isFresh: parts.isFresh && day.home === null,
    canTell: today === sheet.day && day.home !== "there",
    otherDay:
      today === sheet.day ? "" : `This is the plan for ${sheet.date_words}${today > sheet.day ? ", a day that is past" : ""}.`,
    saidLate:
      lately && !lately.isIn && lately.body.late_s > 0
        ? `You said: ${sayMinutes(lately.body.late_s)} later. The plan follows.`
        : "",
    news: state.news,
    ticks: state.ticks,
    code: state.code,
    emergencyNumber: state.emergencyNumber,
    sync: syncOf(),
    stale: staleOf(sheet),
    leaveWords,
    isOpen: (key) => state.opened[key] ?? false,
    setOpen: (key, isOpen) => {
      state.opened[key] = isOpen;
    },
    tick,
    seen,
    showCode,
    hideCode,
    goNow,
    showTold,
    showPhone,
  };
}

// The sheet does not say where the van is when no stop is, nor what was said of the van
// itself: that is remembered here.
const isRemembered = ({ kind, call_id, store_id }) =>
  ["late", "van_down", "van_up"].includes(kind) ||
  (["left", "arrived"].includes(kind) && !call_id && !store_id);

const longDate = (at, zone) =>
  new Intl.DateTimeFormat("en-GB", { timeZone: zone, dateStyle: "long" }).format(Date.parse(at));

const waiting = () => state.facts.filter((each) => each.state === "waiting");
const refused = () => state.facts.filter((each) => each.state === "refused");

function syncOf() {
  const count = waiting().length;
  if (refused().length > 0) {
    const words = [`${refused().length} not taken`, count > 0 && `${count} not sent`].filter(Boolean).join(", ");
    return { mood: "is-refused", icon: "alert", words };
  }
  if (count > 0) return { mood: "is-waiting", icon: "send", words: `${count} not sent` };
  return { mood: "is-sent", icon: "tick", words: "All sent" };
}

function staleOf(sheet) {
  const isOld = Date.now() - state.sheet.checked_ms > STALE_MS;
  if (state.isUp !== false && !isOld) return "";
  const at = clockOf(state.sheet.checked_ms + state.offset_ms);
  const on = dateOf(state.sheet.checked_ms + state.offset_ms, sheet.zone);
  const since = on === dateOf(now_ms(), sheet.zone) ? at : `${at} on ${on}`;
  return `No connection. This is the plan as of ${since}; it may have changed.`;
}

function leaveWords(stop) {
  const left_ms = Date.parse(stop.leave_by) - now_ms();
  const isLate = left_ms < 0 && state.sheet.body.day === dateOf(now_ms(), state.sheet.body.zone);
  return make("p", { class: isLate ? "leave mood tight" : "leave" }, isLate ? `Should have left by ${clock(stop.leave_by)}` : `Leave by ${clock(stop.leave_by)}`);
}

function showPairing() {
  document.body.classList.add("is-pairing");
  $("bar").hidden = true;
  put($("head"), []);
  const shown = $("main").querySelector(".pairing");
  const key = `${state.why} ${waiting().length}`;
  if (shown?.dataset.for === key) return; // never under somebody's typing
  const form = talk.showPairing({ why: state.why, waiting: waiting().length, pair });
  form.dataset.for = key;
  put($("main"), form);
  document.title = "keyround: pair this phone";
}

function showAbsent() {
  $("bar").hidden = true;
  put($("head"), []);
  const words = state.absent || (state.isUp === false ? "No connection yet. The day comes as soon as there is one." : "Fetching your day …");
  put($("main"), make("section", { class: "absent" }, make("h1", {}, "No day yet"), make("p", {}, words), make("button", { type: "button", onclick: () => refresh(), "data-key": "again" }, "Look again")));
}

// The bar under the thumb: late, the next step, more.
const NEXT_STEP = {
  call: { open: ["left", "Setting off"], driving: ["arrived", "Here"], there: ["started", "Started"], working: ["done", "Done"] },
  restock: { open: ["left", "Setting off"], driving: ["arrived", "Here"], there: ["loaded", "Loaded"] },
};

function showBar(view) {
  const { now: stop, home } = view;
  const [kind, words] =
    stop === null ? (home === "driving" ? ["arrived", "Here"] : ["left", "Setting off"]) : NEXT_STEP[stop.kind][stop.state];
  const where = stop === null ? view.sheet.van.finish?.name || "home" : nameOf(stop);
  return [
    make("button", { type: "button", class: "side", onclick: () => told("late", look()), "data-key": "late" }, icon("clock"), "Late"),
    make(
      "button",
      { type: "button", class: "go step", onclick: () => told(kind, look(), stop), "data-key": "step" },
      make("span", {}, words),
      make("small", {}, where),
    ),
    make("button", { type: "button", class: "side", onclick: () => showMore(look()), "data-key": "more" }, icon("more"), "More"),
  ];
}

// --- telling ------------------------------------------------------------------------

const idOf = () => {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // not on https
  return [...bytes].map((each) => each.toString(16).padStart(2, "0")).join("");
};

// Which stop a fact is about.
const aim = (stop) =>
  stop === null
    ? {}
    : stop.kind === "call"
      ? { call_id: stop.call.id }
      : { store_id: stop.restock.store_id };

// What is asked before a fact of this kind; null: it is not told after all.
async function details(kind, view, stop) {
  const { stock } = view.sheet;
  if (kind === "late") return talk.askLate((view.late_s ?? 0) > 0);
  if (kind === "done") return talk.askDone(stop, stock);
  if (kind === "loaded") return talk.askLoaded(stop, stock);
  if (kind === "no_show") return talk.askNotThere(stop);
  const take = stop?.take ?? [];
  if (kind === "spoiled") return talk.askParts("What spoiled?", "Spoiled", take, stock, "stern");
  if (kind === "used") return talk.askParts("What was used?", "Used", take, stock, "go");
  if (kind === "received") return talk.askParts("What came into the van?", "Taken in", take, stock, "go");
  if (kind === "van_down") {
    const sure = await talk.askSure("Off the road today?", "The office plans everything that is left without this van.", "Take it off the road", "stern");
    return sure && {};
  }
  if (view.isFresh && ["left", "arrived", "started"].includes(kind)) return loadOf(view);
  return {};
}

// The first step on the road says what was taken from the shop.
async function loadOf(view) {
  const lines = pickLines(view.sheet);
  const tools = toolsAtStart(view.sheet).map((each) => each.tool_id);
  const isTicked = (key) => state.ticks.has(key);
  const missing = lines.filter((each) => !isTicked(each.key)).length + tools.filter((id) => !isTicked(`tool ${id}`)).length;
  if (missing === 0) return {};
  const answer = await talk.askLoad(missing);
  if (answer === null) return null;
  if (answer === "all") return {};
  const taken = lines.filter((each) => isTicked(each.key));
  return {
    parts: taken.filter((each) => each.from === "load").map((each) => ({ part_id: each.pick.part_id, quantity: each.count })),
    handed: taken
      .filter((each) => each.from !== "load")
      .map((each) => ({ van_id: each.from.replace(/^from /, ""), part_id: each.pick.part_id, quantity: each.count })),
    tools: tools.filter((id) => isTicked(`tool ${id}`)),
  };
}

const NAMES_A_STOP = new Set(["left", "arrived", "started", "done", "no_show", "loaded"]);
const MAY_NAME_A_CALL = new Set(["used", "spoiled"]);

async function told(kind, view, stop = view.now) {
  const more = await details(kind, view, stop);
  if (more === null) return;
  const target =
    NAMES_A_STOP.has(kind) || (MAY_NAME_A_CALL.has(kind) && stop?.kind === "call") ? aim(stop) : {};
  const body = {
    id: idOf(),
    kind,
    at: new Date().toISOString().replace(/\.\d+Z$/, "Z"),
    van_id: state.session.van_id,
    ...target,
    ...more,
  };
  const fact = { day: view.sheet.day, body, state: "waiting", reason: "", version: null, hold_ms: Date.now() + HOLD_MS };
  fact.seq = await pocket.addFact(fact);
  state.facts.push(fact);
  hideCode();
  if (NAMES_A_STOP.has(kind)) {
    state.news = state.news.filter(isLasting);
    await pocket.write("news", state.news);
    scrollTo({ top: 0 });
  }
  offerBack(fact, sayFact(body, view.sheet));
  render();
  setTimeout(send, HOLD_MS + 50);
}

const goNow = (stop) => told("left", look(), stop);

let backTimer = 0;
function offerBack(fact, words) {
  const toast = $("toast");
  clearTimeout(backTimer);
  const takeBack = async () => {
    if (fact.state !== "waiting" || Date.now() > fact.hold_ms) return;
    fact.hold_ms = Infinity; // nobody sends it from here on
    await pocket.dropFact(fact.seq);
    state.facts = state.facts.filter((each) => each !== fact);
    toast.hidden = true;
    say("Taken back.");
    render();
  };
  toast.replaceChildren(make("span", {}, words), make("button", { type: "button", onclick: takeBack }, "Take back"));
  toast.hidden = false;
  say(`${words}. Saved on this phone. It can be taken back for five seconds.`);
  backTimer = setTimeout(() => {
    toast.hidden = true;
  }, HOLD_MS);
}

const STEPS = {
  call: [["arrived", "Here"], ["started", "Started"], ["done", "Done"], ["no_show", "Nobody there"]],
  restock: [["arrived", "Here"], ["loaded", "Loaded"]],
};
const CAN_FOLLOW = { arrived: ["open", "driving"], no_show: ["open", "driving", "there"], started: ["open", "driving", "there"] };
const canFollow = (kind, stop) =>
  (CAN_FOLLOW[kind]?.includes(stop.state) ?? true) && NEXT_STEP[stop.kind][stop.state][0] !== kind;

async function showMore(view) {
  const { now: stop } = view;
  const steps = [
    ...(stop === null ? [] : STEPS[stop.kind].filter(([kind]) => canFollow(kind, stop))),
    ["spoiled", "Spoiled a part"],
    ["used", "Used a part"],
    ["received", "Parts came in"],
  ];
  const chosen = await talk.askMore(steps, view.isDown);
  if (chosen !== null) await told(chosen, look());
}

async function showPhone() {
  const { van, zone } = state.sheet.body;
  const { expires_at } = state.session;
  const chosen = await talk.askPhone({
    emergencyNumber: state.emergencyNumber,
    until: `Paired with ${van.driver || van.id}${expires_at ? ` until ${longDate(expires_at, zone)}` : ""}.`,
    canKeep: "serviceWorker" in navigator,
    setEmergency: (number) => {
      state.emergencyNumber = number;
      pocket.write("emergency", number);
      render();
    },
  });
  if (chosen === "told") return showTold();
  if (chosen === "unpair") return unpair();
}

const showTold = () =>
  talk.showTold({
    facts: state.facts,
    sheet: state.sheet?.body,
    link: linkWords(),
    timeOf: (fact) => clockOf(Date.parse(fact.body.at) + state.offset_ms),
    drop: async (fact) => {
      await pocket.dropFact(fact.seq);
      state.facts = state.facts.filter((each) => each !== fact);
      render();
    },
  });

function linkWords() {
  if (state.trouble) return `The service answered: ${state.trouble}`;
  if (state.isUp === false) return "No connection: it is sent as soon as there is one. You need do nothing.";
  return "Connected.";
}

async function tick(key, isTicked) {
  if (isTicked) state.ticks.add(key);
  else state.ticks.delete(key);
  await pocket.write(`ticks ${state.sheet.body.day}`, [...state.ticks]);
  render();
}

function seen() {
  state.news = [];
  pocket.write("news", []);
  render();
}

// --- codes: in memory, for half a minute ----------------------------------------------

let codeTimer = 0;

async function showCode(stop) {
  const ticket = { call_id: stop.call.id, text: "", ends_ms: 0, left: () => "" };
  state.code = ticket;
  render();
  try {
    const answer = await wire.reveal(state.sheet.body.day, stop.call.id);
    if (state.code !== ticket) return; // hidden meanwhile
    ticket.text = answer.code;
    ticket.ends_ms = Date.now() + CODE_MS;
    ticket.left = () => `Gone in ${Math.max(0, Math.ceil((ticket.ends_ms - Date.now()) / 1000))} s.`;
    codeTimer = setInterval(() => {
      if (Date.now() >= ticket.ends_ms) return hideCode();
      const left = $("code-left");
      if (left) left.textContent = ticket.left();
    }, 1000);
    render();
    say("The code is shown for half a minute.");
  } catch (error) {
    if (state.code === ticket) state.code = null;
    render();
    if (error instanceof wire.NoLink) notice("No connection: the code cannot be fetched now. Ring the office.");
    else if (error.status === 404) {
      notice("Not given now: a code is shown once you are on your way, or half an hour before the planned start.");
    } else if (!signedOut(error)) notice(error.message);
  }
}

function hideCode() {
  clearInterval(codeTimer);
  if (state.code === null) return;
  state.code.text = "";
  state.code = null;
  isPressed = false; // at once, finger or not
  render();
}

function notice(words) {
  const toast = $("toast");
  clearTimeout(backTimer);
  toast.replaceChildren(make("span", {}, words));
  toast.hidden = false;
  say(words);
  backTimer = setTimeout(() => {
    toast.hidden = true;
  }, 8_000);
}

// --- the service ----------------------------------------------------------------------

function reached(isUp) {
  const isNews = state.isUp !== isUp;
  state.isUp = isUp;
  if (isUp) tries = 0;
  return isNews;
}

// Was it that this phone is paired no more? Then customers' data leave it; what was told
// stays until it can be sent.
function signedOut(error) {
  if (!(error instanceof wire.Refusal) || error.status !== 401) return false;
  forget("The office has ended this phone's pairing, or it ran out. Ask for a new code.");
  return true;
}

async function forget(why) {
  hideCode();
  stopListening();
  state.session = null;
  state.sheet = null;
  state.news = [];
  state.after = null;
  state.why = why;
  for (const key of ["session", "sheet", "news", "after"]) await pocket.drop(key);
  render();
}

function setClock(text) {
  const at_ms = Date.parse(text);
  if (Number.isNaN(at_ms)) return;
  state.offset_ms = at_ms - Date.now();
  pocket.write("offset", state.offset_ms);
}

// Works once at a time. Asked for while it works, it works once more after that: what
// happened meanwhile it may have missed.
function single(work) {
  let running = null;
  let isDue = false;
  const run = async () => {
    try {
      do {
        isDue = false;
        await work();
      } while (isDue);
    } finally {
      running = null;
    }
  };
  return () => {
    if (running === null) running = run();
    else isDue = true;
    return running;
  };
}

const refresh = single(refreshNow);

async function refreshNow() {
  const { session } = state;
  if (session === null) return;
  const wasTold = isTold;
  isTold = false;
  try {
    const got = await wire.sheet(session.van_id, state.sheet?.etag);
    if (state.session !== session) return;
    const isBack = reached(true);
    // Nobody knows whether a stream outlives the loss of the link; one that did not tell
    // of a change is dead.
    if (isBack || (source !== null && got.body !== null && !wasTold)) listen();
    if (got.body !== null) await take(got);
    else state.sheet = { ...state.sheet, plan: got.plan || state.sheet.plan, checked_ms: Date.now() };
    state.absent = "";
    await settle();
    await pocket.write("sheet", state.sheet);
    render();
    send();
  } catch (error) {
    if (error instanceof wire.NoLink) reached(false);
    else if (signedOut(error)) return;
    else if (error instanceof wire.Refusal && error.status === 404) {
      reached(true);
      state.absent = "There is no plan for this van yet. The office makes it.";
      state.sheet = null;
      await pocket.drop("sheet");
    } else {
      state.absent = error.message;
    }
    render();
    later();
  }
}

async function take({ body, etag, plan }) {
  if (body.format !== "keyround sheet" || body.version !== 1) {
    throw new Error("This page is older than the service. Close it and open it again.");
  }
  // Read before the sheet is shown: what is ticked off meanwhile would be forgotten.
  const kept = state.sheet?.body.day === body.day ? [] : await pocket.read(`ticks ${body.day}`);
  const old = state.sheet?.body;
  setZone(body.zone);
  state.sheet = { body, etag, plan, checked_ms: Date.now() };
  if (old?.day !== body.day) {
    state.ticks = new Set(kept ?? []);
    state.opened = {};
    state.news = [];
  }
  const next = split(body.stops).now;
  state.news = state.news.filter((each) => isLasting(each) || (next && each === `Next is now ${nameOf(next)}.`));
  const words = compare(old, body);
  if (words.length > 0) {
    state.news = [...new Set([...words, ...state.news.filter(isLasting)])].slice(0, 6);
    say(`The plan changed. ${words.join(" ")}`);
  }
  await pocket.write("news", state.news);
  // What was told on days before and was sent is of no use any more.
  for (const fact of state.facts.filter((each) => each.day !== body.day && each.state === "taken")) {
    await pocket.dropFact(fact.seq);
    state.facts = state.facts.filter((each) => each !== fact);
  }
}

// Which stop is next is old news once the van goes on.
const isLasting = (words) => !words.startsWith("Next is now");

const versionOf = (plan) => Number(/\/(\d+)$/.exec(plan)?.[1] ?? Number.NaN);

// A sheet of a later plan than the one that was there when a fact was taken holds it:
// what was told is then only remembered, not laid on top.
async function settle() {
  const version = versionOf(state.sheet.plan);
  for (const fact of state.facts) {
    if (fact.state !== "taken" || fact.isIn || !(version > fact.version)) continue;
    fact.isIn = true;
    await pocket.putFact(fact);
  }
}

let tries = 0;
let laterTimer = 0;
function later(least_s = 0) {
  clearTimeout(laterTimer);
  const wait_ms = Math.max(RETRY_MS[Math.min(tries, RETRY_MS.length - 1)], least_s * 1000);
  tries += 1;
  // Not all phones of a firm at once.
  laterTimer = setTimeout(refresh, wait_ms * (0.8 + Math.random() * 0.4));
}

// Only one page of this phone sends at a time.
const alone = (work) =>
  navigator.locks ? navigator.locks.request("keyround-send", { ifAvailable: true }, (lock) => lock && work()) : work();

const send = single(() => alone(sendNow));

async function sendNow() {
  let size = BATCH;
  while (state.session !== null) {
    // In the order they were told: one that can still be taken back holds those behind it.
    const queue = waiting().filter((each) => each.body.van_id === state.session.van_id);
    const held = queue.findIndex((each) => each.hold_ms > Date.now());
    const ready = held === -1 ? queue : queue.slice(0, held);
    const batch = ready.filter((each) => each.day === ready[0].day).slice(0, size);
    if (batch.length === 0) return;
    try {
      const sent_at = new Date().toISOString();
      const answer = await wire.tell(batch[0].day, sent_at, batch.map((each) => each.body));
      const isBack = reached(true);
      state.trouble = "";
      setClock(answer.now_at);
      for (const { id, result, reason } of answer.results) {
        const fact = batch.find((each) => each.body.id === id);
        if (fact === undefined) continue;
        if (result === "refused") {
          fact.state = "refused";
          fact.reason = reason;
          say(`Not taken: ${sayFact(fact.body, state.sheet?.body)}. ${reason}`);
        } else {
          fact.state = "taken";
          fact.version = answer.plan_version;
        }
        await pocket.putFact(fact);
      }
      render();
      if (isBack) relink();
      else if (answer.plan_version > versionOf(state.sheet?.plan)) refresh();
      setTimeout(refresh, FOLLOW_MS);
    } catch (error) {
      if (error instanceof wire.NoLink) {
        reached(false);
        render();
        return later();
      }
      if (signedOut(error)) return;
      if (!(error instanceof wire.Refusal)) throw error;
      reached(true);
      if ([404, 413, 422].includes(error.status)) {
        // Something in the batch is wrong for good: one by one it holds up no other.
        if (batch.length > 1) {
          size = 1;
          continue;
        }
        batch[0].state = "refused";
        batch[0].reason = [error.message, ...error.faults.map((each) => `${each.where}: ${each.expected}`)].join(" ");
        await pocket.putFact(batch[0]);
        render();
        continue;
      }
      state.trouble = error.message;
      render();
      return later(error.retry_s ?? 0);
    }
  }
}

async function pair(code) {
  let answer;
  try {
    answer = await wire.pair(code);
  } catch (error) {
    if (error instanceof wire.NoLink) return "No connection. Try again where there is coverage.";
    if (error.status === 401) return "This code is not good, or not any more. Ask the office for a new one.";
    if (error.status === 429) return `Too many tries. Wait ${error.retry_s ?? 60} seconds.`;
    return error.message;
  }
  if (answer.kind !== "van") {
    await wire.leave().catch(() => {});
    return "That is no code of a van.";
  }
  state.session = { van_id: answer.van_id, expires_at: answer.expires_at };
  state.why = "";
  await pocket.write("session", state.session);
  // What another van's driver told cannot be sent from here: say so, lose nothing.
  for (const fact of waiting().filter((each) => each.body.van_id !== answer.van_id)) {
    fact.state = "refused";
    fact.reason = `it was told for van ${fact.body.van_id}, and this phone is paired with another now. Tell the office.`;
    await pocket.putFact(fact);
  }
  navigator.storage?.persist?.();
  render();
  $("main").focus();
  await start();
  return null;
}

async function unpair() {
  const count = waiting().length;
  const words =
    count > 0
      ? `${count} ${count === 1 ? "thing is" : "things are"} not sent yet and would be lost.`
      : "The day leaves this phone. To see it again you need a new code.";
  if ((await talk.askSure("End the pairing?", words, "End it", "stern")) === null) return;
  try {
    await wire.leave();
  } catch (error) {
    if (error instanceof wire.NoLink) {
      return notice("No connection: the pairing can only be ended where there is coverage. The office can end it as well.");
    }
    if (error.status !== 401) return notice(error.message);
  }
  await pocket.empty();
  state.facts = [];
  await forget("");
}

// --- the stream -------------------------------------------------------------------------

let source = null;
let listenTimer = 0;
let isTold = false; // has the stream told of a change since the sheet was asked for?

function listen() {
  stopListening();
  if (state.session === null || document.hidden) return;
  source = wire.listen(
    state.after,
    (name, data, id) => {
      if (id) {
        state.after = id;
        pocket.write("after", id);
      }
      if (name === "reset") {
        state.after = null;
        pocket.drop("after");
      }
      if (name === "refused") return wasRefused(data);
      if (name === "facts") return;
      isTold = true;
      refresh();
    },
    () => {
      // Refused, or gone: the sheet tells why.
      clearTimeout(listenTimer);
      listenTimer = setTimeout(listen, RETRY_MS[Math.min(tries + 1, 4)]);
      refresh();
    },
  );
}

function stopListening() {
  clearTimeout(listenTimer);
  source?.close();
  source = null;
}

// The link is another one than before: what is on its way over the old one, and the
// stream, may never hear of it.
function relink() {
  if (state.session === null || document.hidden) return;
  tries = 0;
  wire.anew();
  refresh();
  if (state.isUp !== false) listen(); // else once an answer has come
}

async function wasRefused({ id, reason }) {
  const fact = state.facts.find((each) => each.body.id === id);
  if (fact === undefined || fact.state === "refused") return;
  fact.state = "refused";
  fact.reason = reason ?? "";
  await pocket.putFact(fact);
  render();
}

// --- beginning ---------------------------------------------------------------------------

async function start() {
  try {
    const answer = await wire.session();
    if (answer.kind !== "van") return forget("This browser is signed in as the office.");
    setClock(answer.now_at);
    state.session = { van_id: answer.van_id, expires_at: answer.expires_at };
    await pocket.write("session", state.session);
  } catch (error) {
    if (signedOut(error)) return;
  }
  await refresh();
  if (source === null) listen();
}

async function keepPage() {
  if (!("serviceWorker" in navigator)) return;
  try {
    await navigator.serviceWorker.register("/page/worker.js", { scope: "/phone" });
    const registration = await navigator.serviceWorker.ready;
    registration.active.postMessage("renew");
  } catch {
    // the page works while there is coverage; 'More' says so where it cannot be kept
  }
}

async function begin() {
  try {
    const [session, sheet, news, after, offset, number] = await Promise.all(
      ["session", "sheet", "news", "after", "offset", "emergency"].map(pocket.read),
    );
    state.facts = await pocket.facts();
    Object.assign(state, {
      session: session ?? null,
      sheet: sheet ?? null,
      news: news ?? [],
      after: after ?? null,
      offset_ms: offset ?? 0,
      emergencyNumber: number ?? "",
    });
    if (sheet) state.ticks = new Set((await pocket.read(`ticks ${sheet.body.day}`)) ?? []);
  } catch (error) {
    put($("main"), make("section", { class: "absent" }, make("h1", {}, "This browser keeps nothing"), make("p", {}, `The day cannot be kept on this phone: ${error}. A private window often is the reason.`)));
    return;
  }
  render();
  if (state.session !== null) start();
  keepPage();
}

document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    hideCode();
    stopListening();
    for (const fact of waiting()) fact.hold_ms = Math.min(fact.hold_ms, Date.now());
    send();
  } else {
    relink();
  }
});
addEventListener("pagehide", hideCode);
addEventListener("online", relink);
// From one network into another. The same event says that the same one became faster or
// slower; then nothing is lost that is on its way.
let network = navigator.connection?.type;
navigator.connection?.addEventListener("change", () => {
  const was = network;
  network = navigator.connection.type;
  if (navigator.onLine && network !== was) relink();
});
addEventListener("offline", () => {
  if (reached(false)) render();
});
setInterval(() => {
  if (document.hidden || state.session === null) return;
  if (Date.now() - (state.sheet?.checked_ms ?? 0) > LOOK_MS) refresh();
  else if (!talk.isTalking()) render(); // the time went on
}, 10_000);

begin();

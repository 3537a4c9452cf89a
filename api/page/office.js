// The office page: signs in, keeps what the service says, shows it.

import { assemble, focusStop, phase, strips, tables, tick } from "./office-day.js";
import { make } from "./draw.js";
import { find, renew, sign } from "./office-draw.js";
import { phoneDesk } from "./office-phones.js";
import { picture } from "./office-picture.js";
import { card, leftOut, rings, shelves, tonight, twice } from "./office-side.js";
import { faultList, urgentDesk } from "./office-urgent.js";
import * as wire from "./office-wire.js";
import { count, hhmm, length, localDate, rfc3339, sum } from "./office-words.js";

const GATHER_MS = 80; // events that come together are answered with one look
const BRIEF_S = 3;
const SHELVES_MS = 4_000;

const head = document.getElementById("head");
const desk = document.getElementById("desk");
const said = document.getElementById("said");

const state = {
  days: [],
  brief: null, // the day that is shown
  view: null, // its current plan
  calls: [],
  vans: [],
  parts: [],
  kinds: [], // of work
  rest: null,
  check: null,
  day: null, // all of it, put together
  chosen: null, // key of a stop
  van: null, // whose round is drawn
  table: false,
  rings: [], // customers whom nobody has rung yet
  job: null,
  panel: null, // { name, panel, … } above the strips
  option: null, // an option that is looked at
  cross: null,
  pick: null,
  linked: true,
};
let boxes = {};
let shut = () => {};

// --- what is said ---------------------------------------------------------------

let hush = null;
function say(words, tone = "") {
  said.textContent = words;
  said.className = `said shown ${tone}`;
  clearTimeout(hush);
  hush = setTimeout(() => {
    said.className = "said";
  }, 8_000);
}

// Does something that the service may refuse.
async function attempt(act) {
  try {
    return await act();
  } catch (error) {
    if (error instanceof wire.Refusal && error.status === 401) {
      signInScreen("Signed out. Sign in again.");
      return null;
    }
    if (!(error instanceof wire.Refusal) && !(error instanceof wire.NoLink)) throw error;
    say(error.message, "bad");
    return null;
  }
}

// --- signing in -----------------------------------------------------------------

function signInScreen(words = "") {
  shut();
  head.hidden = true;
  const secret = make("input", {
    id: "secret",
    type: "password",
    autocomplete: "current-password",
    required: true,
    "aria-describedby": "secret-hint",
  });
  const trouble = make("div", { role: "alert" }, words && faultList([words]));
  const button = make("button", { type: "submit", class: "go" }, "Sign in");
  const form = make(
    "form",
    { class: "gate" },
    sign(),
    make("h1", {}, "keyround, the office"),
    make("p", { class: "field" }, make("label", { for: "secret" }, "Office secret"), secret),
    make("p", { class: "hint", id: "secret-hint" }, "The service showed it when it was first started, or `keyround secret` made a newer one. A driver's phone opens this address with /phone instead."),
    trouble,
    button,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    try {
      await wire.signIn(secret.value);
      await open();
    } catch (error) {
      if (!(error instanceof wire.Refusal) && !(error instanceof wire.NoLink)) throw error;
      renew(trouble, faultList([error.status === 401 ? "That is not the office secret." : error.message]));
      secret.select();
      secret.focus();
    } finally {
      button.disabled = false;
    }
  });
  renew(desk, form);
  secret.focus();
}

// --- the frame --------------------------------------------------------------------

function frame() {
  boxes = {
    lamp: make("span", { class: "lamp", role: "status" }),
    clock: make("span", { class: "hour" }),
    days: make("select", { id: "which-day", onchange: () => attempt(() => show(boxes.days.value)) }),
    job: make("div", { class: "job-box" }),
    panel: make("div", {}),
    strips: make("section", { id: "day", class: "day", tabindex: "-1", "aria-labelledby": "day-title" }),
    round: make("section", { class: "round-box", "aria-labelledby": "round-title" }),
    card: make("section", { class: "card", "aria-label": "The stop" }),
    ring: make("section", { class: "ring-box", "aria-label": "Ring" }),
    out: make("section", { class: "out-box", "aria-label": "On no round" }),
    tonight: make("section", { class: "tonight-box", "aria-label": "Tonight" }),
    shelves: make("section", { class: "shelves", "aria-label": "Shelves" }),
    urgent: make("button", { type: "button", class: "stern", "aria-expanded": "false", onclick: () => toggle("urgent") }, "Urgent call"),
    anew: make("button", { type: "button", onclick: () => attempt(planAnew) }, "Plan anew"),
    phones: make("button", { type: "button", "aria-expanded": "false", onclick: () => toggle("phones") }, "Phones"),
    load: make("button", { type: "button", "aria-expanded": "false", onclick: () => toggle("load") }, "Load a day"),
    leave: make("button", { type: "button", class: "quiet", onclick: () => attempt(leave) }, "Sign out"),
  };
  renew(
    head,
    make("a", { class: "leap", href: "#day" }, "To the day"),
    make("div", { class: "house" }, sign(), make("span", {}, "keyround")),
    make("p", { class: "which" }, make("label", { for: "which-day", class: "unseen" }, "Day"), boxes.days),
    make("p", { class: "moment" }, boxes.clock, boxes.lamp),
    make("nav", { "aria-label": "Desk" }, boxes.urgent, boxes.anew, boxes.phones, boxes.load, boxes.leave),
  );
  head.hidden = false;
  renew(
    desk,
    boxes.job,
    boxes.panel,
    boxes.strips,
    make("div", { class: "under" }, boxes.card, boxes.round, make("div", { class: "calls-box" }, boxes.ring, boxes.out)),
    boxes.tonight,
    boxes.shelves,
  );
}

async function leave() {
  await wire.signOut();
  shut();
  signInScreen();
}

async function open() {
  const session = await wire.session();
  if (session.kind !== "office") {
    head.hidden = true;
    renew(desk, make("div", { class: "gate" }, sign(), make("h1", {}, "This is a driver's phone"), make("p", {}, `It is paired with van ${session.van_id}. `, make("a", { href: "/phone" }, "Open the phone page"), ".")));
    return;
  }
  state.kinds = await wire.kinds();
  frame();
  // The stream first, then what it tells the changes of: nothing falls between.
  const silence = wire.listen(hear, linked);
  const clock = setInterval(beat, 1_000);
  shut = () => {
    silence();
    clearInterval(clock);
    state.panel?.closed?.();
    Object.assign(state, { panel: null, brief: null, day: null, check: null, job: null });
    state.rings = [];
    shut = () => {};
  };
  await choose();
}

// Which day to begin with: today where it is there, else the next one, else the last.
async function choose() {
  state.days = await wire.days();
  if (!state.days.length) {
    showNoDay();
    return;
  }
  // #day is the way past the head, #day=2026-12-04 a day.
  const asked = new URLSearchParams(location.hash.slice(1)).get("day");
  const rising = [...state.days].sort((one, other) => (one.date < other.date ? -1 : 1));
  const today = (day) => localDate(wire.now(), day.zone);
  const best =
    state.days.find((day) => day.id === (state.brief?.id ?? asked)) ??
    rising.find((day) => day.date >= today(day)) ??
    rising.at(-1);
  await show(best.id);
}

function showNoDay() {
  renew(boxes.days, make("option", {}, "no day yet"));
  boxes.days.disabled = true;
  for (const name of ["urgent", "anew"]) boxes[name].disabled = true;
  renew(boxes.strips, make("h1", { id: "day-title" }, "No day yet"), make("p", { class: "soft" }, "Load the folder of a day: its calls, vans, parts and stock."));
}

async function show(id) {
  Object.assign(state, { chosen: null, check: null, rings: [] });
  renew(boxes.shelves);
  history.replaceState(null, "", `#day=${id}`);
  if (state.panel) closePanel();
  await look(id);
  bringNow();
  state.parts = (await attempt(() => wire.parts(id))) ?? [];
  const jobs = (await attempt(() => wire.jobs(id)))?.items ?? [];
  state.job = jobs.find((job) => isOpen(job) && !isBrief(job)) ?? null;
  renderHead();
  renderJob();
}

// Where the strips are wider than the window, this moment is in sight.
function bringNow() {
  const board = boxes.strips.querySelector(".board");
  const line = board?.querySelector(".now-tag:not([hidden])");
  if (line && board.scrollWidth > board.clientWidth) {
    board.scrollLeft = line.offsetLeft - board.clientWidth / 4;
  }
}

// --- looking at the service ---------------------------------------------------------

let turn = 0;
let latest = null;
function look(id) {
  latest = lookOnce(id);
  return latest;
}

async function lookOnce(id) {
  const mine = ++turn;
  const [brief, view, calls, vans, rest, rings] = await Promise.all([
    wire.dayOf(id),
    wire.plan(id),
    wire.calls(id),
    wire.vans(id),
    wire.rest(id),
    wire.rings(id),
  ]);
  if (mine !== turn) return latest; // a later look overtook this one: its end is ours
  if (!brief) {
    state.brief = null;
    return choose();
  }
  Object.assign(state, { brief, view, calls, vans, rest, rings });
  state.day = assemble({ day: brief, view, calls, vans, rest });
  if (!state.day.stops.has(state.chosen)) state.chosen = nextStop()?.key ?? null;
  if (!state.day.rows.some((row) => row.id === state.van)) {
    state.van = state.day.stops.get(state.chosen)?.van ?? state.day.rows[0]?.id ?? null;
  }
  render();
  state.panel?.moved?.(view?.version);
  lookAtShelves(state.check ? SHELVES_MS : 0);
  return null;
}

// The van check is work for the service, and nobody waits for it: after many changes once.
let checking = null;
function lookAtShelves(wait_ms) {
  checking ??= setTimeout(() => {
    checking = null;
    const { brief } = state;
    if (!brief) return;
    attempt(async () => {
      const found = await wire.check(brief.id);
      if (state.brief?.id !== brief.id) return;
      state.check = found;
      renew(boxes.shelves, shelves(found));
    });
  }, wait_ms);
}

// What a day begins with on the table: the first stop under way, else the first to come.
function nextStop() {
  const stops = [...state.day.stops.values()];
  const first = (name) => stops.find((stop) => phase(stop) === name);
  return first("now") ?? first("open") ?? stops[0];
}

let due = null;
let wanted = new Set();
function hear(name, data) {
  if (name === "hello" || !boxes.strips) return;
  if (name === "job") {
    if (data.day === state.brief?.id) attempt(() => lookAtJob(data.job));
    return;
  }
  if (name === "key") {
    state.panel?.changed?.();
    return;
  }
  if (name === "refused" && data.day === state.brief?.id) {
    say(`Van ${data.van_id ?? ""} told something that cannot be true: ${data.reason}`, "bad");
  }
  wanted.add(name === "reset" || !state.brief ? "*" : (data.day ?? "*"));
  due ??= setTimeout(() => {
    const days = wanted;
    [due, wanted] = [null, new Set()];
    if (days.has("*") || !state.brief) attempt(choose);
    else if (days.has(state.brief.id)) attempt(() => look(state.brief.id));
    else attempt(async () => { state.days = await wire.days(); renderHead(); });
  }, GATHER_MS);
}

function linked(on) {
  const back = on && !state.linked;
  state.linked = on;
  if (!boxes.lamp) return;
  beat();
  if (back && state.brief) {
    attempt(async () => {
      await wire.session(); // clocks drift, and machines sleep
      await look(state.brief.id);
    });
  }
}

function beat() {
  if (!boxes.lamp) return;
  const zone = state.brief?.zone;
  if (zone) boxes.clock.textContent = hhmm(wire.now(), zone);
  const words = state.linked ? "live" : "no link";
  if (boxes.lamp.textContent !== words) {
    boxes.lamp.textContent = words;
    boxes.lamp.className = `lamp ${state.linked ? "on" : "off"}`;
  }
  const board = boxes.strips?.querySelector(".board");
  if (board && state.day) tick(board, state.day, wire.now());
}

// --- showing -------------------------------------------------------------------------

function renderHead() {
  boxes.days.disabled = false;
  const days = state.days.some((day) => day.id === state.brief.id) ? state.days : [state.brief, ...state.days];
  renew(
    boxes.days,
    days.map((day) => make("option", { value: day.id }, `${dateWords(day.date)}${day.running ? ", running" : day.plan_version ? "" : ", not planned"}`)),
  );
  boxes.days.value = state.brief.id;
  boxes.urgent.disabled = !state.view;
  boxes.anew.disabled = Boolean(state.job);
}

const dateWords = (date) =>
  new Intl.DateTimeFormat("en-GB", { weekday: "short", day: "numeric", month: "short", year: "numeric", timeZone: "UTC" }).format(new Date(`${date}T12:00:00Z`));

function render() {
  renderHead();
  renderStrips();
  renderCard();
  renderLists();
  beat();
}

function renderLists() {
  renew(boxes.ring, rings(state.rings, state.day, told));
  renew(boxes.out, leftOut(state.day, state.rest, settlePlace));
  renew(boxes.tonight, tonight(state.day));
}

function renderStrips() {
  const { day, view, brief } = state;
  const stops = [...day.stops.values()].filter((stop) => stop.call);
  const of = (name) => stops.filter((stop) => phase(stop) === name).length;
  const broken = view?.document.broken.length ?? 0;
  const parts = view
    ? [
        brief.running && `${of("behind")} finished`,
        brief.running && `${of("now")} under way`,
        `${of("open")} to come`,
        `costs ${sum(view.document.cost_cents)}${brief.running ? " from here" : ""}`,
      ].filter(Boolean)
    : [];
  renew(
    boxes.strips,
    make(
      "header",
      {},
      make("h1", { id: "day-title" }, view?.document.day.date_words ?? dateWords(brief.date)),
      make(
        "p",
        { class: "gist" },
        parts.map((words) => make("span", {}, words)),
        broken > 0 && make("strong", { class: "alarm" }, count(broken, "promise broken", "promises broken")),
        view && make("span", { class: "soft" }, view.document.status.words.split(":")[0].replace(/\.$/, "").replace(/^Proved best$/, "Proved best for these times")),
      ),
      view &&
        make(
          "button",
          { type: "button", class: "slim", "data-keep": "table", "aria-pressed": String(state.table), onclick: () => { state.table = !state.table; renderStrips(); renderCard(); } },
          "As a table",
        ),
    ),
    !view && make("div", { class: "unplanned" }, make("p", {}, "This day has no plan yet."), make("button", { type: "button", class: "go", onclick: () => attempt(planAnew) }, "Plan it")),
    view && state.table && tables(day),
    view && !state.table && [
      strips(day, { chosen: state.chosen, ghosts: ghostsOf(state.option), now: wire.now(), choose: pickStop }),
      make(
        "p",
        { class: "legend", "aria-hidden": "true" },
        ["open", "now", "behind"].map((name) => make("span", {}, make("i", { class: `key ${name}` }), { open: "to come", now: "under way", behind: "finished" }[name])),
        make("span", {}, make("i", { class: "key window" }), "promised"),
        make("span", {}, make("i", { class: "key slack" }), "in hand"),
        make("span", {}, make("i", { class: "key drive" }), "drive"),
        make("span", {}, make("i", { class: "key break" }), "break"),
        make("span", {}, make("i", { class: "key restock" }), "fetch parts"),
      ),
      make("p", { class: "unseen" }, "Arrow keys go from stop to stop and from van to van. The button As a table shows the same in words."),
    ],
  );
}

function ghostsOf(option) {
  if (!option) return [];
  return option.changes
    .filter((change) => change.to_van && change.to_s !== null)
    .map((change) => ({
      van: change.to_van,
      at: state.day.start + change.to_s * 1000,
      words: change.kind === "added" ? "new" : change.call_id,
      kind: option.broken.includes(change.call_id) ? "broken" : change.kind === "added" ? "new" : "moved",
    }));
}

function pickStop(key) {
  const stop = state.day.stops.get(key);
  if (!stop || key === state.chosen) return;
  state.chosen = key;
  state.van = stop.van;
  for (const button of boxes.strips.querySelectorAll(".stop")) {
    const mine = button.dataset.stop === key;
    if (mine) button.setAttribute("aria-current", "true");
    else button.removeAttribute("aria-current");
    button.tabIndex = mine ? 0 : -1;
  }
  renderCard();
}

function renderCard() {
  const stop = state.day.stops.get(state.chosen);
  // What is being typed is not taken from under the hand.
  const typed = [...boxes.card.querySelectorAll("input")].some((input) => input.value);
  if (!typed || boxes.card.dataset.stop !== state.chosen) {
    renew(boxes.card, card(state.day, stop, { cancelled, isTable: state.table, code: { keep: keepCode, forget: forgetCode } }));
    boxes.card.dataset.stop = state.chosen ?? "";
  }
  renderRound();
}

function renderRound() {
  const rows = state.day.rows;
  renew(
    boxes.round,
    make(
      "h2",
      { id: "round-title" },
      "The round",
      rows.length > 1 &&
        make(
          "span",
          { class: "tabs", role: "group", "aria-label": "Whose round" },
          rows.map((row) =>
            make(
              "button",
              { type: "button", class: "slim", "data-keep": `round ${row.id}`, "aria-pressed": String(row.id === state.van), onclick: () => { state.van = row.id; renderRound(); } },
              row.id,
            ),
          ),
        ),
    ),
    state.pick && make("p", { class: "note brass" }, "Click where the urgent call is."),
    state.van &&
      picture(state.day, state.van, {
        chosen: state.chosen,
        cross: state.cross,
        pick: state.pick,
        choose: (key) => {
          pickStop(key);
          const board = boxes.strips.querySelector(".board");
          if (board) focusStop(board, key);
        },
      }),
    state.view && state.van && make("p", { class: "acts" }, turnOut(state.day.rows.find((row) => row.id === state.van))),
  );
}

// --- what the office says ---------------------------------------------------------------

async function tell(fact) {
  const now = rfc3339(wire.now());
  const answer = await wire.tell(state.brief.id, [{ id: wire.freshKey(), at: now, ...fact }], now);
  const refused = answer.results.find((one) => one.result === "refused");
  if (refused) say(refused.reason, "bad");
  return !refused;
}

const told = (ring) =>
  attempt(async () => {
    // A new time is a fact; that nobody comes is in the plan already.
    if (ring.window === null) await wire.rung(state.brief.id, ring.call_id, ring.version);
    else if (!(await tell({ kind: "told", call_id: ring.call_id, window: ring.window }))) return;
    state.rings = state.rings.filter((each) => each !== ring);
    renderLists();
    say(`${ring.customer} was told.`);
    (find(boxes.ring, boxes.ring.querySelector("button")?.dataset.keep) ?? boxes.urgent).focus();
  });

const cancelled = (call) =>
  attempt(async () => {
    if (await tell({ kind: "cancelled", call_id: call.id })) say(`Call ${call.id} is cancelled; the rest is planned anew.`);
    boxes.strips.focus();
  });

// A van that breaks down, a driver who falls ill; and back again.
function turnOut(row) {
  const down = row.doing === "down";
  const tellIt = () =>
    attempt(async () => {
      if (await tell({ kind: down ? "van_up" : "van_down", van_id: row.id })) {
        say(`Van ${row.id} is ${down ? "back on the road" : "off the road today"}; the rest is planned anew.`);
      }
      find(boxes.round, `round ${row.id}`)?.focus();
    });
  return down
    ? make("button", { type: "button", "data-keep": `turn ${row.id}`, onclick: tellIt }, `Van ${row.id} back on the road`)
    : twice(`turn ${row.id}`, `Take ${row.id} off the road today`, "Yes, off the road today", tellIt);
}

const keepCode = (call, code, what) =>
  attempt(async () => {
    await wire.keepCode(state.brief.id, call.id, code, what);
    say(`The code for call ${call.id} is sealed.`);
  });

const forgetCode = (call) =>
  attempt(async () => {
    await wire.forgetCode(state.brief.id, call.id);
    say(`No code is kept for call ${call.id}.`);
    renderCard();
    find(boxes.card, `erase ${call.id}`)?.focus();
  });

// Says where the address of a call is, for good; the day is planned anew with it.
const settlePlace = (call, place) =>
  attempt(async () => {
    const pin = { address: call.place.name, lat_deg: place.lat_deg, lon_deg: place.lon_deg };
    await wire.pinPlace(pin, wire.freshKey());
    say(`${call.place.name} is there from now on; the day is planned anew.`);
  });

// --- jobs ---------------------------------------------------------------------------------

async function planAnew() {
  state.job = await wire.startJob(state.brief.id, wire.freshKey());
  say("Planning.");
  renderHead();
  renderJob();
  find(boxes.job, "keep")?.focus();
}

async function lookAtJob(id) {
  const job = await wire.job(id);
  const open = isOpen(job);
  const mine = state.job?.id === job.id;
  if (!mine && (!open || isBrief(job))) return;
  if (!open && mine) {
    say(
      {
        done: "Planned.",
        cancelled: job.plan_version ? "Stopped: the best so far is the plan." : "Stopped: the plan stays as it was.",
        failed: `Planning failed: ${job.problem?.detail ?? job.problem?.title ?? "see the log"}`,
      }[job.state],
      job.state === "failed" ? "bad" : "",
    );
  }
  const held = boxes.job.contains(document.activeElement);
  state.job = open ? job : null;
  renderHead();
  renderJob();
  if (held && !state.job) boxes.anew.focus();
}

const isOpen = (job) => ["queued", "running"].includes(job.state);

// Every fact has the rest planned anew: mostly done before anybody could read it.
const isBrief = (job) => job.kind === "rest" && (job.progress?.seconds ?? 0) < BRIEF_S;

function renderJob() {
  const { job } = state;
  if (!job) return renew(boxes.job);
  const at = job.progress;
  const words = at
    ? [
        job.kind === "rest" ? "Planning the rest of the day" : "Planning the day",
        at.phase,
        `${length(at.seconds) === "0 min" ? `${Math.round(at.seconds)} s` : length(at.seconds)}`,
        at.cost_cents !== null && at.cost_cents !== undefined ? `best so far ${sum(at.cost_cents)}` : "",
        at.unplaced ? `${count(at.unplaced, "call", "calls")} on no round` : "",
      ].filter(Boolean)
    : [job.state === "queued" ? "Waiting for the planner" : "Planning begins"];
  const known = at?.total_rounds > 0;
  const stop = (keep) => () => attempt(async () => { await wire.endJob(job.id, keep); });
  renew(
    boxes.job,
    make(
      "section",
      { class: "job", "aria-label": "Planning" },
      make("progress", { "aria-label": "How far", max: known ? at.total_rounds : null, value: known ? Math.min(at.rounds, at.total_rounds) : null }),
      make("p", {}, words.join(" · ")),
      make("button", { type: "button", class: "slim", "data-keep": "keep", disabled: !at, onclick: stop(true) }, "Stop, keep the best so far"),
      make("button", { type: "button", class: "slim", "data-keep": "drop", onclick: stop(false) }, "Stop, change nothing"),
    ),
  );
}

// --- panels ---------------------------------------------------------------------------------

function toggle(name) {
  if (state.panel?.name === name) return closePanel(boxes[name]);
  closePanel();
  state.panel = { name, ...{ urgent: openUrgent, phones: openPhones, load: openLoad }[name]() };
  renew(boxes.panel, state.panel.panel);
  boxes[name].setAttribute("aria-expanded", "true");
  window.scrollTo({ top: 0 });
  state.panel.focus();
}

function closePanel(focus = null) {
  state.panel?.closed?.();
  for (const name of ["urgent", "phones", "load"]) boxes[name].setAttribute("aria-expanded", "false");
  Object.assign(state, { panel: null, option: null, cross: null, pick: null });
  renew(boxes.panel);
  if (state.day && state.brief) {
    renderStrips();
    renderRound();
  }
  focus?.focus();
}

function openUrgent() {
  return urgentDesk({
    day: () => state.day,
    calls: () => new Map(state.calls.map((call) => [call.id, call])),
    parts: () => state.parts,
    kinds: () => state.kinds,
    now: wire.now,
    places: () => knownPlaces(),
    preview: (option) => {
      if (state.option === option) return;
      state.option = option;
      if (!state.table && state.view) renderStrips();
    },
    cross: (place) => {
      state.cross = place;
      renderRound();
    },
    pick: (callback) => {
      state.pick = callback;
      renderRound();
      if (callback) boxes.round.scrollIntoView({ block: "nearest" });
    },
    booked: (id, words) => {
      closePanel();
      attempt(async () => {
        await look(state.brief.id);
        const board = boxes.strips.querySelector(".board");
        const key = `call:${id}`;
        if (board && state.day.stops.has(key)) focusStop(board, key);
        else boxes.strips.focus();
        say(words);
      });
    },
    close: (words) => {
      closePanel(boxes.urgent);
      if (words) say(words);
    },
  });
}

function knownPlaces() {
  const found = [];
  const put = (place, label) => {
    if (Number.isFinite(place?.lat_deg) && !found.some((one) => one.label === label)) found.push({ ...place, label });
  };
  put(state.brief.shop ?? state.view?.document.day.shop, `Workshop: ${(state.brief.shop ?? state.view?.document.day.shop)?.name}`);
  for (const counter of state.brief.counters ?? []) {
    const place = counter.place ?? counter;
    put(place, `Counter: ${place.name}`);
  }
  for (const call of state.calls) put(call.place, `${call.customer || call.id}: ${call.place.name}`);
  return found;
}

const openPhones = () =>
  phoneDesk({
    vans: () => state.vans,
    attempt,
    say,
    close: () => closePanel(boxes.phones),
  });

// Loads the folder of a day.
function openLoad() {
  const files = make("input", { type: "file", id: "load-files", multiple: true, required: true, accept: ".toml,.csv,.md,.json", "aria-describedby": "load-hint" });
  const trouble = make("div", { role: "alert" });
  const send = make("button", { type: "submit", class: "go" }, "Load it");
  const form = make(
    "form",
    { class: "load-form" },
    make("p", { class: "field" }, make("label", { for: "load-files" }, "Files of the day"), files, make("span", { class: "hint", id: "load-hint" }, "All tables of its folder: day.toml, calls.csv, vans.toml, parts.csv, stock.csv …")),
    trouble,
    send,
  );
  const key = wire.freshKey();
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    send.disabled = true;
    try {
      const texts = await Promise.all([...files.files].map(async (file) => [file.name, await file.text()]));
      const brief = await wire.loadDay(Object.fromEntries(texts), key);
      closePanel();
      state.days = await wire.days();
      await show(brief.id);
      say(`${dateWords(brief.date)} is loaded: ${count(brief.calls, "call", "calls")}, ${count(brief.vans, "van", "vans")}.`);
      boxes.strips.focus();
    } catch (error) {
      if (!(error instanceof wire.Refusal) && !(error instanceof wire.NoLink)) throw error;
      renew(trouble, faultList(error.faults?.length ? error.faults.map((fault) => `${fault.where}: ${fault.got}; right would be ${fault.expected}`) : [error.message]));
    } finally {
      send.disabled = false;
    }
  });
  const panel = make("section", { class: "panel load", "aria-labelledby": "load-title" }, make("header", {}, make("h2", { id: "load-title" }, "Load a day"), make("button", { type: "button", class: "slim", onclick: () => closePanel(boxes.load) }, "Close")), form);
  panel.addEventListener("keydown", (event) => {
    if (event.key === "Escape") closePanel(boxes.load);
  });
  return { panel, focus: () => files.focus() };
}

// --- begin ------------------------------------------------------------------------------------

async function begin() {
  try {
    await open();
  } catch (error) {
    if (error instanceof wire.Refusal && error.status === 401) signInScreen();
    else if (error instanceof wire.NoLink) signInScreen(error.message);
    else throw error;
  }
}

await begin();

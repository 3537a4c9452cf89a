// The day as it is shown: the next stop big, the rest below.

import { READY, clock, nameOf, sayDistance, sayMinutes, span } from "./phone-day.js";
import { make } from "./draw.js";
import { icon, keyOfDay } from "./phone-draw.js";

const ORIGINS = {
  aboard: () => "in the van",
  shop: () => "loaded at the shop",
  van: (from) => `handed over by ${from}`,
  restock: (from) => `fetched at ${from}`,
};
const readable = (id) => id.replaceAll("_", " ");

const binTag = (bin) =>
  bin && make("span", { class: "bin" }, make("span", { class: "unseen" }, "bin "), bin);

const list = (title, kind, items) =>
  items.length > 0 &&
  make("section", { class: kind }, make("h3", {}, title), make("ul", {}, items));

function takeLine(part, sheet) {
  const store = sheet.stops.find((stop) => stop.restock?.store_id === part.from);
  const from = store?.restock.name ?? part.from;
  return make(
    "li",
    { class: "part" },
    make("span", { class: "count figures" }, `${part.quantity} ×`, piecesOf()),
    make(
      "span",
      { class: "what" },
      make("strong", {}, part.name),
      make(
        "small",
        {},
        `${part.part_id} · ${ORIGINS[part.origin](from)}`,
        part.instead_of && ` · instead of ${part.instead_of}`,
      ),
    ),
    binTag(part.bin), // what a counter sells or a colleague hands over lies in none
  );
}

function readyLine(item) {
  const isOpen = item.state === "open";
  const words = READY[item.kind]?.[isOpen ? 1 : 0] ?? readable(item.kind);
  const more = [
    item.state === "waived" && `waived by ${item.waived_by || "somebody"}`,
    isOpen && item.owner && `up to ${item.owner}`,
    item.note,
  ].filter(Boolean);
  return make(
    "li",
    { class: isOpen ? "is-open" : "is-settled" },
    icon(isOpen ? "alert" : "tick"),
    make("span", {}, words, more.length > 0 && make("small", {}, more.join(" · "))),
  );
}

const cautionsOf = (stop, sheet) =>
  (stop.call?.cautions ?? [])
    .map((id) => sheet.cautions.find((each) => each.id === id))
    .filter(Boolean);

// Before everything else: where somebody may be locked in. All of it is shown, unless its
// first sentence says what to do already: then the others can be opened.
const halve = (text) => {
  const [, first, rest] = /^(.*?\.)\s+([\s\S]+)$/.exec(text) ?? [];
  return first && /emergency number/i.test(first) ? [first, rest] : [text, ""];
};

function emergency(view, texts, key) {
  const once = [...new Set(texts)];
  if (once.length === 0) return null;
  const halves = once.map(halve);
  const rest = halves.map((each) => each[1]).filter(Boolean);
  const number = view.emergencyNumber || view.sheet.emergency_number;
  return make(
    "section",
    { class: "emergency", "aria-label": "Danger to life" },
    icon("alert"),
    halves.map((each) => make("p", {}, make("strong", {}, each[0]))),
    number &&
      make(
        "a",
        { class: "button stern", href: `tel:${number.replace(/[^+\d*#]/g, "")}` },
        icon("ring"),
        `Ring ${number}`,
      ),
    rest.length > 0 &&
      fold(view, `emergency ${key}`, "Why, and what not to do", rest.map((text) => make("p", {}, text))),
  );
}

const dangersOf = (stop, sheet) =>
  cautionsOf(stop, sheet)
    .filter((each) => each.emergency)
    .map((each) => each.text);

function reach(stop) {
  const { place, call } = stop;
  const number = call?.phone.replace(/[^+\d]/g, "");
  return make(
    "div",
    { class: "reach" },
    place &&
      make(
        "a",
        {
          class: "button",
          href: `geo:${place.lat_deg.toFixed(6)},${place.lon_deg.toFixed(6)}`,
          "aria-label": `Find it: ${nameOf(stop)}`,
          "data-key": `map ${stop.key}`,
        },
        icon("sign"),
        "Find it",
      ),
    number &&
      make(
        "a",
        {
          class: "button",
          href: `tel:${number}`,
          "aria-label": `Ring ${call.customer || "the customer"}`,
          "data-key": `call ${stop.key}`,
        },
        icon("ring"),
        "Ring",
      ),
  );
}

function promiseWords(stop) {
  const promise = stop.call?.told ?? stop.call?.promise;
  if (!promise) return null;
  return `${stop.call.told ? "told" : "promised"} ${span(promise)}`;
}

// How the time stands: late, tight, or so much in hand.
function timing(stop) {
  if (stop.state === "working") return ["calm", `should be done at ${clock(stop.finish_at)}`];
  if (stop.late_s > 0) return ["late", `${sayMinutes(stop.late_s)} later than promised`];
  if (stop.tight) {
    return ["tight", stop.slack_s === null ? "no time to lose" : `only ${sayMinutes(stop.slack_s)} in hand`];
  }
  if (stop.slack_s !== null && stop.slack_s < 7200) return ["calm", `${sayMinutes(stop.slack_s)} in hand`];
  return null;
}

const HEADINGS = {
  open: "Next",
  driving: "On your way to",
  there: "You are at",
  working: "Working at",
};

function nowCard(view) {
  const { now: stop, sheet, ordinal, calls } = view;
  const { call, restock } = stop;
  const calm = cautionsOf(stop, sheet).filter((each) => !each.emergency);
  const mood = timing(stop);
  const open = (call?.ready ?? []).filter((each) => each.state === "open");
  const settled = (call?.ready ?? []).filter((each) => each.state !== "open");
  const isOpen = stop.state === "open";
  return make(
    "article",
    { class: `now is-${stop.state}`, "aria-labelledby": "now-name" },
    make(
      "p",
      { class: "kicker" },
      make("span", { class: "state" }, HEADINGS[stop.state]),
      call && make("span", { class: "figures" }, `${ordinal} of ${calls}`),
    ),
    make(
      "div",
      { class: "when" },
      make("time", { datetime: stop.start_at, class: "hour" }, clock(stop.start_at)),
      make(
        "div",
        { class: "about" },
        isOpen && stop.leave_by && view.leaveWords(stop),
        promiseWords(stop) && make("p", {}, promiseWords(stop)),
        mood && make("p", { class: `mood ${mood[0]}` }, mood[1]),
      ),
    ),
    make("h2", { id: "now-name" }, nameOf(stop)),
    call && make("p", { class: "job" }, make("strong", {}, call.kind_name), call.description && `, ${call.description}`),
    call?.customer && make("p", { class: "who" }, call.customer),
    call?.access && make("p", { class: "note" }, call.access),
    call?.note && make("p", { class: "note" }, call.note),
    restock &&
      make(
        "p",
        { class: "job" },
        make("strong", {}, fetchWords(stop)),
        restock.opening && `, open ${span(restock.opening)}`,
        restock.pay_cents > 0 && `, ${(restock.pay_cents / 100).toFixed(2)} to pay`,
      ),
    reach(stop),
    turnFold(view, stop),
    list("Still to settle", "ready", open.map(readyLine)),
    list("Take", "take", stop.take.map((part) => takeLine(part, sheet))),
    restock && fetchList(stop),
    restock && list("Bring back", "tools", restock.bring_back.map((id) => make("li", {}, readable(id)))),
    restock && list("Collect", "tools", restock.collect.map((id) => make("li", {}, readable(id)))),
    list("Shared tools", "tools", (stop.tools ?? []).map((id) => make("li", {}, readable(id)))),
    call?.has_code && codeRow(view, stop),
    list("Settled", "ready", settled.map(readyLine)),
    calm.length > 0 &&
      fold(
        view,
        `cautions ${stop.key}`,
        `Cautions (${calm.length})`,
        make("ul", { class: "cautions" }, calm.map((each) => make("li", {}, each.text))),
      ),
  );
}

const fetchLine = (pick, isOurs) =>
  make(
    "li",
    { class: "part" },
    make("span", { class: "count figures" }, `${pick.load} ×`, piecesOf()),
    make("span", { class: "what" }, make("strong", {}, pick.name), make("small", {}, pick.part_id)),
    isOurs && binTag(pick.bin),
  );

const fetchWords = (stop) => `Fetch parts ${stop.is_shop ? "at our shop" : "at the counter"}`;

// Only of the firm's own shop are the bins known.
const fetchList = ({ restock, is_shop }) =>
  list("Fetch here", "take", restock.fetch.map((pick) => fetchLine(pick, is_shop)));

function codeRow(view, stop) {
  const { code } = view;
  const isHere = code !== null && code.call_id === stop.call.id;
  return make(
    "section",
    { class: "code" },
    make("h3", {}, "Code"),
    isHere && code.text
      ? make(
          "div",
          { class: "revealed" },
          make("output", { class: "figures", "aria-label": "The code" }, code.text),
          make("p", { id: "code-left" }, code.left()),
          make("button", { type: "button", onclick: view.hideCode, "data-key": "code" }, "Hide it"),
        )
      : make(
          "div",
          { class: "hidden-code" },
          make(
            "button",
            { type: "button", onclick: () => view.showCode(stop), "data-key": "code", disabled: isHere },
            icon("eye"),
            isHere ? "Asking …" : "Show the code",
          ),
          make("p", {}, "Shown for half a minute, kept nowhere on this phone, written down at the office."),
        ),
  );
}

// A part that opens and stays as the driver left it.
function fold(view, key, title, ...content) {
  const details = make(
    "details",
    { class: "fold", open: view.isOpen(key) },
    make("summary", { "data-key": `fold ${key}` }, title),
    ...content,
  );
  details.addEventListener("toggle", () => view.setOpen(key, details.open));
  return details;
}

// "Turn left onto High Street, then 1.2 km".
const turnWords = ({ text, distance_m }, unit) =>
  distance_m > 0
    ? make("span", {}, `${text.replace(/\.$/, "")}, then `, make("strong", { class: "far figures" }, sayDistance(distance_m, unit)))
    : make("span", {}, text);

// How the drive goes, where there is a road network and the drive is not over; how far
// it is from each turn to the next; whose data that is stands below it.
function turnFold(view, stop) {
  const turns = ["open", "driving"].includes(stop.state) ? (stop.turns ?? []) : [];
  const { distance, roads } = view.sheet;
  return (
    turns.length > 0 &&
    fold(
      view,
      `turns ${stop.key}`,
      stop.by_ferry ? "Turn by turn, by ferry" : "Turn by turn",
      make(
        "ol",
        { class: "turns" },
        turns.map((turn) => make("li", {}, turnWords(turn, distance))),
      ),
      make("small", {}, roads),
    )
  );
}

const breakBand = (stop) =>
  make(
    "p",
    { class: "band" },
    icon("cup"),
    make(
      "span",
      {},
      make("strong", {}, `Break ${clock(stop.start_at)} to ${clock(stop.finish_at)}`),
      stop.place?.name && `, ${stop.place.name}`,
    ),
  );

function laterItem(view, stop) {
  const { sheet } = view;
  if (stop.kind === "break") return make("li", { class: "stop is-break" }, breakBand(stop));
  const mood = timing(stop);
  const title = make(
    "span",
    { class: "row" },
    make("time", { datetime: stop.start_at }, clock(stop.start_at)),
    make(
      "span",
      { class: "what" },
      make("strong", {}, nameOf(stop)),
      make(
        "small",
        {},
        stop.call ? stop.call.kind_name : fetchWords(stop),
        promiseWords(stop) && ` · ${promiseWords(stop)}`,
      ),
      mood && mood[0] !== "calm" && make("small", { class: `mood ${mood[0]}` }, mood[1]),
    ),
  );
  return make(
    "li",
    { class: "stop" },
    fold(
      view,
      stop.key,
      title,
      make(
        "div",
        { class: "inside" },
        emergency(view, dangersOf(stop, sheet), stop.key),
        stop.call && make("p", { class: "job" }, [stop.call.customer, stop.call.description].filter(Boolean).join(", ")),
        stop.call?.access && make("p", { class: "note" }, stop.call.access),
        stop.call?.note && make("p", { class: "note" }, stop.call.note),
        reach(stop),
        turnFold(view, stop),
        list("Still to settle", "ready", (stop.call?.ready ?? []).filter((each) => each.state === "open").map(readyLine)),
        list("Take", "take", stop.take.map((part) => takeLine(part, sheet))),
        stop.restock && fetchList(stop),
        list("Shared tools", "tools", (stop.tools ?? []).map((id) => make("li", {}, readable(id)))),
        view.canTell &&
          make(
            "button",
            { type: "button", onclick: () => view.goNow(stop), "data-key": `go ${stop.key}` },
            "Go here now instead",
          ),
      ),
    ),
  );
}

const behindItem = (stop) =>
  make(
    "li",
    { class: `behind is-${stop.state}` },
    icon(stop.state === "done" ? "tick" : "alert"),
    make("span", {}, make("strong", {}, nameOf(stop)), make("small", {}, stop.state === "done" ? `done, planned ${clock(stop.start_at)}` : "nobody there")),
  );

// What is to be taken from the shelves before leaving, to be ticked off, bin by bin.
const pieces = (pick) => [
  ["load", pick.load],
  ...pick.from_vans.map((each) => [`from ${each.van_id}`, each.quantity]),
];

export function pickLines(sheet) {
  const byBin = (a, b) => (a.bin || "~").localeCompare(b.bin || "~", "en", { numeric: true });
  const picks = sheet.pick_list.filter((pick) => pick.load > 0 || pick.from_vans.length > 0);
  return [...picks].sort(byBin).flatMap((pick) =>
    pieces(pick)
      .filter(([, count]) => count > 0)
      .map(([from, count]) => ({ key: `${pick.part_id} ${from}`, from, count, pick })),
  );
}

export const toolsAtStart = (sheet) => sheet.tools.filter((each) => !each.collected);

// Unseen, for who hears it: "2 × pieces of fob".
const piecesOf = () => make("span", { class: "unseen" }, " pieces of ");

function tickLine(view, key, count, name, small, bin) {
  const id = `tick-${key.replaceAll(/[^\w-]/g, "-")}`;
  return make(
    "li",
    {},
    make(
      "label",
      { class: "part", for: id },
      make("input", {
        type: "checkbox",
        id,
        "data-key": id,
        checked: view.ticks.has(key),
        onchange: (event) => view.tick(key, event.target.checked),
      }),
      make("span", { class: "count figures" }, count),
      make("span", { class: "what" }, make("strong", {}, name), small && make("small", {}, small)),
      binTag(bin),
    ),
  );
}

function shelf(view) {
  const { sheet, ticks } = view;
  const lines = pickLines(sheet);
  const tools = toolsAtStart(sheet);
  const aboard = sheet.pick_list.filter((pick) => pick.aboard > 0);
  if (lines.length + tools.length + aboard.length === 0) return null;
  const all = [...lines.map((each) => each.key), ...tools.map((each) => `tool ${each.tool_id}`)];
  const left = all.filter((key) => !ticks.has(key)).length;
  return make(
    "section",
    { class: "shelf", "aria-labelledby": "shelf-name" },
    make("h2", { id: "shelf-name" }, "Before you leave"),
    make(
      "p",
      { class: "quiet" },
      all.length === 0
        ? "Nothing to load: all is aboard."
        : left === 0
          ? "All of it is loaded."
          : `${left} of ${all.length} still to load.`,
    ),
    make(
      "ul",
      { class: "ticks" },
      lines.map(({ key, from, count, pick }) =>
        tickLine(
          view,
          key,
          `${count} ×`,
          pick.name,
          [pick.part_id, from !== "load" && from, pick.note].filter(Boolean).join(" · "),
          from === "load" ? pick.bin : "",
        ),
      ),
      tools.map((each) => tickLine(view, `tool ${each.tool_id}`, "", readable(each.tool_id), "shared tool", "")),
    ),
    aboard.length > 0 &&
      fold(
        view,
        "aboard",
        `Must be in the van already (${aboard.length})`,
        make(
          "ul",
          { class: "take" },
          aboard.map((pick) =>
            make(
              "li",
              { class: "part" },
              make("span", { class: "count figures" }, `${pick.aboard} ×`, piecesOf()),
              make("span", { class: "what" }, make("strong", {}, pick.name), make("small", {}, pick.part_id)),
              binTag(sheet.stock.find((each) => each.part_id === pick.part_id)?.bin),
            ),
          ),
        ),
      ),
  );
}

function tonight(sheet) {
  return list(
    "Before it can be done",
    "tonight",
    sheet.tonight.map((each) =>
      make("li", {}, each.ask, make("small", {}, `call ${each.call_id}`, each.by_at && `, by ${clock(each.by_at)}`)),
    ),
  );
}

function homeCard(view) {
  const { sheet, home } = view;
  const finish = sheet.van.finish;
  return make(
    "article",
    { class: "now is-home", "aria-labelledby": "now-name" },
    make("p", { class: "kicker" }, make("span", { class: "state" }, home === "driving" ? "On your way to" : "All stops are finished")),
    make("h2", { id: "now-name" }, home === "there" ? "Day done. Thank you." : (finish?.name ?? "Home")),
    home !== "there" && sheet.van.finish_at && make("p", { class: "job" }, `Planned for ${clock(sheet.van.finish_at)}`),
    home !== "there" && finish && reach({ place: finish, call: null, kind: "restock", restock: { name: finish.name || "home" }, key: "home" }),
  );
}

// The whole page below the head.
export function showDay(view) {
  const { sheet, now, breaks, later, behind, news } = view;
  // A caution of the trade stands at the stops it is for; anything else is said at once.
  const said = sheet.emergency.filter((text) => !sheet.cautions.some((each) => each.text === text));
  return [
    emergency(view, [...said, ...(now === null ? [] : dangersOf(now, sheet))], "now"),
    news.length > 0 &&
      make(
        "section",
        { class: "news", "aria-label": "The plan changed" },
        make("h2", {}, "The plan changed"),
        make("ul", {}, news.map((words) => make("li", {}, words))),
        make("button", { type: "button", onclick: view.seen, "data-key": "seen" }, "Seen"),
      ),
    view.otherDay && make("p", { class: "band" }, icon("clock"), view.otherDay),
    view.isDown && make("p", { class: "band" }, icon("alert"), "You said: this van is off the road today."),
    view.saidLate && make("p", { class: "band" }, icon("clock"), view.saidLate),
    view.isFresh && shelf(view),
    breaks.map(breakBand),
    now !== null ? nowCard(view) : homeCard(view),
    later.length > 0 &&
      make(
        "section",
        { class: "later", "aria-labelledby": "later-name" },
        make("h2", { id: "later-name" }, "After that"),
        make("ol", {}, later.map((stop) => laterItem(view, stop))),
        sheet.van.finish_at &&
          make("p", { class: "finish" }, icon("home"), `${sheet.van.finish?.name || "Day ends"} at ${clock(sheet.van.finish_at)}`),
      ),
    tonight(sheet),
    behind.length > 0 &&
      fold(view, "behind", `Finished (${behind.length})`, make("ul", { class: "behinds" }, behind.map(behindItem))),
    !view.isFresh && sheet.stock.length > 0 && stock(view),
    make("button", { type: "button", class: "this-phone", onclick: view.showPhone, "data-key": "phone" }, "This phone"),
  ];
}

const stock = (view) =>
  fold(
    view,
    "stock",
    "What the van carries",
    make(
      "ul",
      { class: "take" },
      view.sheet.stock.map((each) =>
        make(
          "li",
          { class: "part" },
          make("span", { class: "count figures" }, `${each.pieces} ×`, piecesOf()),
          make("span", { class: "what" }, make("strong", {}, each.name), make("small", {}, each.part_id)),
          binTag(each.bin),
        ),
      ),
    ),
  );

export function showHead(view) {
  const { sheet, sync } = view;
  return [
    make(
      "div",
      { class: "who-when" },
      make("h1", {}, sheet.van.driver || sheet.van.id),
      make("p", { class: "quiet" }, sheet.date_words),
    ),
    make(
      "button",
      { type: "button", class: `sync ${sync.mood}`, onclick: view.showTold, "data-key": "sync" },
      icon(sync.icon),
      sync.words,
    ),
    view.stale && make("p", { class: "stale" }, icon("cloud"), view.stale),
    make(
      "figure",
      {},
      keyOfDay(view.stops, view.now),
      make("figcaption", { class: "unseen" }, `${view.behind.length} of ${view.stops.length} stops are finished.`),
    ),
  ];
}

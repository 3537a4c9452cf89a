// The day as the office sees it: what the service says, put together once; the strips
// and the table are two ways to show it.

import { make } from "./draw.js";
import { when } from "./office-draw.js";
import { DOING, STATES, count, hhmm, length, midnight, span } from "./office-words.js";

const HOUR_MS = 3_600_000;
const BEHIND = ["done", "no_show", "cancelled"];
const UNDER_WAY = ["driving", "there", "working"];

const at = (words) => (words ? Date.parse(words) : null);
const window = (span) => (span ? { from: at(span.start_at), until: at(span.end_at) } : null);

// The bends of the road on the way to a stop; none: it is not known.
const bends = (way) => (way?.path_deg ?? []).map(([lat_deg, lon_deg]) => ({ lat_deg, lon_deg }));

// Puts a day together. `view` is the current plan, `calls` and `vans` their lists, `rest`
// what is known of the running day (or null).
export function assemble({ day, view, calls, vans, rest }) {
  const zone = day.zone;
  const start = midnight(day.date, zone);
  const known = new Map(calls.map((call) => [call.id, call]));
  const doing = new Map(vans.map((van) => [van.id, van.doing]));
  const found = new Map((rest?.vans ?? []).map((van) => [van.van_id, van]));
  const plan = view?.document ?? null;
  const rows = (plan?.vans ?? []).map((van) => {
    let letter = 0;
    const frozen = found.get(van.id)?.frozen ?? [];
    return {
      id: van.id,
      driver: van.driver,
      doing: found.get(van.id)?.doing ?? doing.get(van.id) ?? null,
      shift: window(van.shift),
      start: van.start,
      end: van.finish,
      home: bends(van.last_way),
      leave: at(van.leave_at),
      finish: at(van.finish_at),
      overtime_s: van.overtime_s,
      distance_m: van.distance_m,
      cost_cents: van.cost_cents,
      picks: van.pick_list,
      waits: (found.get(van.id)?.waits ?? []).map((wait) => ({
        ...wait,
        from: start + wait.from_s * 1000,
        until: start + wait.leave_by_s * 1000,
      })),
      stops: van.stops.map((stop, place) => {
        const name = stop.call?.id ?? stop.restock?.store_id ?? "";
        const past = frozen.find(
          (one) => one.kind === stop.kind && (one.call_id ?? one.store_id ?? "") === name,
        );
        return {
          key: stop.call ? `call:${name}` : `${stop.kind}:${van.id}:${name}`,
          van: van.id,
          place,
          kind: stop.kind,
          mark:
            stop.kind === "call"
              ? String(stop.number ?? "")
              : stop.kind === "restock"
                ? String.fromCharCode(65 + letter++)
                : "",
          state: (stop.call && known.get(name)?.state) || past?.state || "open",
          leave: at(stop.leave_at),
          arrive: at(stop.arrive_at),
          begin: at(stop.start_at),
          end: at(stop.finish_at),
          leave_by: at(stop.leave_by),
          promise: window(stop.call?.promise),
          slack_s: stop.slack_s,
          tight: stop.tight,
          late_s: stop.late_s,
          drive_s: stop.drive_s,
          drive_m: stop.drive_m,
          wait_s: stop.wait_s,
          off_preference: stop.off_preference,
          call: stop.call,
          restock: stop.restock,
          where: stop.place,
          way: bends(stop.way),
          issues: van.issues.filter((issue) => stop.call && issue.call_id === name),
        };
      }),
    };
  });
  // Vans that stay in, or of which nothing is left, still stand on the board.
  for (const van of vans) {
    if (rows.some((row) => row.id === van.id)) continue;
    rows.push({
      id: van.id,
      driver: van.driver ?? "",
      doing: found.get(van.id)?.doing ?? van.doing ?? null,
      shift: window(van.shift),
      start: van.start ?? null,
      end: van.finish ?? null,
      leave: null,
      finish: null,
      picks: [],
      waits: [],
      stops: [],
    });
  }
  const spans = rows.flatMap((row) => [
    row.shift?.from,
    row.shift?.until,
    row.leave,
    row.finish,
    ...row.stops.flatMap((stop) => [stop.begin, stop.end]),
  ]);
  const times = spans.filter((each) => each !== null && each !== undefined);
  const down = (time) => start + Math.floor((time - start) / HOUR_MS) * HOUR_MS;
  return {
    zone,
    date: day.date,
    start,
    rows,
    plan,
    stops: new Map(rows.flatMap((row) => row.stops.map((stop) => [stop.key, stop]))),
    first: times.length ? down(Math.min(...times)) : start + 8 * HOUR_MS,
    last: times.length ? down(Math.max(...times) - 1) + HOUR_MS : start + 18 * HOUR_MS,
  };
}

export const phase = (stop) =>
  BEHIND.includes(stop.state) ? "behind" : UNDER_WAY.includes(stop.state) ? "now" : "open";

// Slack is of what has not begun.
export const ahead = (stop) => phase(stop) !== "behind" && stop.state !== "working";

export const title = (stop) =>
  stop.kind === "call"
    ? stop.call.kind === "held"
      ? "Kept free"
      : stop.call.kind_name
    : stop.kind === "restock"
      ? "Fetch parts"
      : "Break";

export const whom = (stop) =>
  stop.kind === "call" ? stop.call.customer || stop.call.place.name : (stop.restock?.name ?? "");

// A stop in one sentence: what a screen reader says, and a pointer sees as a hint.
function sentence(stop, day) {
  const words = [
    stop.kind === "call" ? `Stop ${stop.mark}: ${title(stop)}` : title(stop),
    whom(stop),
    stop.call ? `call ${stop.call.id}` : "",
    `${hhmm(stop.begin, day.zone)} to ${hhmm(stop.end, day.zone)}`,
    STATES[stop.state],
  ];
  if (stop.promise) words.push(`promised ${span(stop.promise, day.zone)}`);
  if (stop.late_s) words.push(`promise broken, ${length(stop.late_s)} late`);
  else if (stop.slack_s !== null && ahead(stop)) {
    words.push(`${length(stop.slack_s)} in hand${stop.tight ? ", tight" : ""}`);
  }
  return words.filter(Boolean).join(", ");
}

// Rows of brackets: those of two windows that would touch stand above each other.
function stack(stops) {
  const ends = [];
  return stops
    .filter((stop) => stop.promise)
    .sort((one, other) => one.promise.from - other.promise.from)
    .map((stop) => {
      let level = ends.findIndex((end) => end + 0.2 * HOUR_MS <= stop.promise.from);
      if (level < 0) level = ends.length;
      ends[level] = stop.promise.until;
      return { stop, level };
    });
}

// The strips. `chosen` is a stop's key, `ghosts` what an option would change
// ([{van, at, words, kind}]), `choose(key, go)` is called when a stop is picked.
export function strips(day, { chosen, ghosts = [], now, choose }) {
  const wide = day.last - day.first;
  const x = (time) => `${((100 * (Math.min(Math.max(time, day.first), day.last) - day.first)) / wide).toFixed(3)}%`;
  const w = (from, until) =>
    `${((100 * Math.max(0, Math.min(until, day.last) - Math.max(from, day.first))) / wide).toFixed(3)}%`;
  const hours = [];
  for (let time = day.first; time <= day.last; time += HOUR_MS) hours.push(time);
  const every = hours.length > 15 ? 2 : 1;
  const lines = () =>
    hours.map((time) => make("i", { class: "line", place: { left: x(time) } }));
  const tab = day.stops.has(chosen) ? chosen : day.rows.flatMap((row) => row.stops)[0]?.key;

  const row = (van) => {
    const brackets = stack(van.stops);
    const levels = Math.max(1, ...brackets.map(({ level }) => level + 1));
    const blade = make(
      "div",
      { class: "blade", place: { "--levels": String(levels) }, role: "group", "aria-label": `Van ${van.id}, ${van.driver}` },
      lines(),
      van.shift && [
        make("i", { class: "off", place: { left: "0", width: w(day.first, van.shift.from) } }),
        make("i", { class: "off", place: { left: x(van.shift.until), width: w(van.shift.until, day.last) } }),
      ],
      van.leave !== null && [
        make("i", { class: "spine", place: { left: x(van.leave), width: w(van.leave, van.finish) } }),
        make("i", { class: "bow", place: { left: x(van.leave) } }),
        make("i", { class: "drive", place: { left: x(van.stops.at(-1)?.end ?? van.leave), width: w(van.stops.at(-1)?.end ?? van.leave, van.finish) } }),
      ],
      brackets.map(({ stop, level }) =>
        make(
          "i",
          {
            class: `window${stop.late_s ? " broken" : ""}${phase(stop) === "behind" ? " past" : ""}`,
            place: { left: x(stop.promise.from), width: w(stop.promise.from, stop.promise.until), "--level": String(level) },
          },
          make("b", {}, stop.mark),
        ),
      ),
      van.stops.flatMap((stop) => [
        stop.arrive > stop.leave &&
          make("i", { class: `drive ${phase(stop)}`, place: { left: x(stop.leave), width: w(stop.leave, stop.arrive) } }),
        stop.slack_s > 0 && ahead(stop) &&
          make("i", {
            class: `slack${stop.tight ? " tight" : ""}`,
            place: {
              left: x(stop.begin),
              width: w(stop.begin, stop.begin + stop.slack_s * 1000),
              // Slack reaches under later stops: two rows keep the ends apart.
              "--step": String(stop.place % 2),
            },
          }),
      ]),
      van.stops.map((stop) =>
        make(
          "button",
          {
            type: "button",
            class: `stop ${stop.kind} ${phase(stop)} is-${stop.state}${stop.late_s ? " late" : ""}`,
            place: { left: x(stop.begin), width: w(stop.begin, stop.end) },
            "data-keep": `strip ${stop.key}`,
            "data-stop": stop.key,
            "aria-label": sentence(stop, day),
            "aria-current": stop.key === chosen ? "true" : null,
            title: sentence(stop, day),
            tabindex: stop.key === tab ? "0" : "-1",
            onclick: () => choose(stop.key),
            onfocus: () => choose(stop.key),
          },
          make("b", {}, stop.mark || ""),
          make("span", {}, stop.kind === "break" ? "" : whom(stop)),
        ),
      ),
      ghosts
        .filter((ghost) => ghost.van === van.id)
        .map((ghost) =>
          make(
            "i",
            { class: `ghost ${ghost.kind}`, place: { left: x(ghost.at) } },
            make("b", {}, ghost.words),
          ),
        ),
      !van.stops.length && make("p", { class: "idle" }, van.doing === "down" ? "off the road" : "stays in"),
    );
    blade.append(make("i", { class: "now-line", hidden: true }));
    return make(
      "div",
      { class: "row" },
      make(
        "div",
        { class: "van" },
        make("strong", {}, van.id),
        make("span", {}, van.driver),
        van.doing && make("span", { class: `doing ${van.doing}` }, DOING[van.doing] ?? van.doing),
      ),
      blade,
    );
  };

  const board = make(
    "div",
    { class: "board", "data-scroll": "board", onkeydown: (event) => steer(event, day, board) },
    make(
      "div",
      { class: "row hours", "aria-hidden": "true" },
      make("div", { class: "van" }),
      make(
        "div",
        { class: "blade" },
        hours
          .filter((_, place) => place % every === 0)
          .map((time) => make("span", { class: "hour", place: { left: x(time) }, "data-at": time }, hhmm(time, day.zone))),
        make("b", { class: "now-tag", hidden: true }),
      ),
    ),
    day.rows.map(row),
  );
  tick(board, day, now);
  return board;
}

// Moves the line of this moment.
export function tick(board, day, now) {
  const inside = now >= day.first && now <= day.last;
  const left = `${(100 * (now - day.first)) / (day.last - day.first)}%`;
  for (const line of board.querySelectorAll(".now-line, .now-tag")) {
    line.hidden = !inside;
    if (inside) line.style.left = left;
  }
  for (const hour of board.querySelectorAll(".hour")) {
    hour.style.visibility = Math.abs(Number(hour.dataset.at) - now) < HOUR_MS / 2 ? "hidden" : "";
  }
  const tag = board.querySelector(".now-tag");
  if (tag) tag.textContent = hhmm(now, day.zone);
}

// Arrow keys on the strips: left and right along a van's day, up and down to what the
// next van does at that time, Home and End to its ends.
function steer(event, day, board) {
  const stop = day.stops.get(event.target.dataset?.stop);
  if (!stop || event.altKey || event.ctrlKey || event.metaKey) return;
  const rows = day.rows.filter((row) => row.stops.length);
  const line = rows.findIndex((row) => row.id === stop.van);
  const stops = rows[line].stops;
  const beside = (row) =>
    row?.stops.reduce((best, each) =>
      Math.abs(each.begin + each.end - stop.begin - stop.end) <
      Math.abs(best.begin + best.end - stop.begin - stop.end)
        ? each
        : best,
    );
  const goal = {
    ArrowLeft: () => stops[stop.place - 1],
    ArrowRight: () => stops[stop.place + 1],
    ArrowUp: () => beside(rows[line - 1]),
    ArrowDown: () => beside(rows[line + 1]),
    Home: () => stops[0],
    End: () => stops.at(-1),
  }[event.key]?.();
  if (!goal) return;
  event.preventDefault();
  focusStop(board, goal.key);
}

export function focusStop(board, key) {
  const button = [...board.querySelectorAll(".stop")].find((each) => each.dataset.stop === key);
  for (const each of board.querySelectorAll(".stop")) each.tabIndex = each === button ? 0 : -1;
  button?.focus();
  button?.scrollIntoView({ block: "nearest", inline: "nearest" });
}

// The same day as tables, one a van.
export function tables(day) {
  return day.rows.map((van) =>
    make(
      "div",
      { class: "wide", "data-scroll": `table ${van.id}`, tabindex: "0", role: "region", "aria-label": `Table of van ${van.id}` },
      make(
        "table",
        {},
        make(
          "caption",
          {},
          `Van ${van.id}, ${van.driver}`,
          van.doing ? `, ${DOING[van.doing] ?? van.doing}` : "",
          van.leave === null
            ? ". Stays in."
            : `. Out ${hhmm(van.leave, day.zone)}, back ${hhmm(van.finish, day.zone)}, ${count(van.stops.filter((stop) => stop.call).length, "call", "calls")}.`,
        ),
        van.stops.length > 0 && [
          make(
            "thead",
            {},
            make(
              "tr",
              {},
              ["Stop", "State", "Start", "Finish", "Work", "Customer", "Place", "Promised", "In hand", "Drive there"].map(
                (name) => make("th", { scope: "col" }, name),
              ),
            ),
          ),
          make(
            "tbody",
            {},
            van.stops.map((stop) =>
              make(
                "tr",
                { class: phase(stop) },
                make("th", { scope: "row" }, stop.mark || title(stop)),
                make("td", {}, STATES[stop.state]),
                make("td", {}, when(hhmm(stop.begin, day.zone))),
                make("td", {}, when(hhmm(stop.end, day.zone))),
                make("td", {}, title(stop), stop.call ? ` (${stop.call.id})` : ""),
                make("td", {}, stop.kind === "call" ? stop.call.customer : ""),
                make("td", {}, stop.where?.name ?? ""),
                make("td", {}, stop.promise ? span(stop.promise, day.zone) : ""),
                make(
                  "td",
                  {},
                  stop.late_s
                    ? make("strong", { class: "alarm" }, `broken, ${length(stop.late_s)} late`)
                    : stop.slack_s === null || !ahead(stop)
                      ? ""
                      : `${length(stop.slack_s)}${stop.tight ? ", tight" : ""}`,
                ),
                make("td", {}, stop.drive_s ? length(stop.drive_s) : ""),
              ),
            ),
          ),
        ],
      ),
    ),
  );
}

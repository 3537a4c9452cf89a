// What lies beside the strips: the stop that was picked, whom to ring, whom nobody comes
// to, tonight's list, the shelves.

import { make } from "./draw.js";
import { when } from "./office-draw.js";
import { ahead, phase, title } from "./office-day.js";
import { settling } from "./office-place.js";
import { READY, STATES, count, distance, hhmm, length, list, span, sum } from "./office-words.js";

export const ringLink = (phone) =>
  phone ? make("a", { href: `tel:${phone.replace(/[^+\d]/g, "")}`, class: "ring" }, phone) : "no number";

const geo = (place) =>
  place ? make("a", { href: `geo:${place.lat_deg},${place.lon_deg}` }, place.name || "on the map") : "";

const row = (name, ...value) => [make("dt", {}, name), make("dd", {}, ...value)];

const ORIGIN = {
  aboard: () => "aboard",
  shop: () => "from the shop",
  van: (issue) => `from van ${issue.from_van}`,
  restock: () => "fetched on the way",
};

// A button that asks once more before it does what cannot be taken back.
export function twice(keep, words, sure, act) {
  const box = make("span", { class: "twice" });
  const first = make("button", { type: "button", "data-keep": keep, onclick: () => show(true) }, words);
  function show(asked, moves = true) {
    if (!asked) {
      box.replaceChildren(first);
      first.focus();
      return;
    }
    const yes = make("button", { type: "button", class: "stern", "data-keep": `${keep} yes`, onclick: done }, sure);
    const no = make("button", { type: "button", "data-keep": `${keep} no`, onclick: () => show(false) }, "Leave it");
    box.replaceChildren(yes, no);
    if (moves) yes.focus();
  }
  function done() {
    show(false);
    act();
  }
  box.append(first);
  box.addEventListener("again", () => show(true, false));
  return box;
}

// The stop that was picked on the strips.
export function card(day, stop, { cancelled, code, isTable }) {
  if (!stop) return [make("h2", {}, "The stop"), make("p", { class: "soft" }, isTable ? "Go back to the strips to pick a stop." : "Pick a stop on the strips: arrow keys or pointer.")];
  const zone = day.zone;
  const call = stop.call;
  const broken = day.plan?.broken.find((one) => one.call_id === call?.id);
  const wait = day.rows
    .find((row) => row.id === stop.van)
    .waits.find((one) => one.before === (call?.id ?? stop.restock?.store_id));
  const needs = (call?.ready ?? []).filter((item) => item.state === "open");
  const seen = (call?.ready ?? []).filter((item) => item.state !== "open");
  return [
    make(
      "h2",
      {},
      stop.mark && make("span", { class: `disc ${stop.kind}` }, stop.mark),
      make("span", {}, title(stop)),
      make("span", { class: `state ${phase(stop)}` }, STATES[stop.state]),
    ),
    make(
      "p",
      { class: "clock" },
      when(hhmm(stop.begin, zone)),
      make("span", { class: "soft" }, ` to ${hhmm(stop.end, zone)}`),
      make("span", { class: "soft" }, `  van ${stop.van}`),
    ),
    stop.late_s > 0 &&
      make(
        "div",
        { class: "note red" },
        make("strong", {}, `Promise broken, ${length(stop.late_s)} late.`),
        (broken?.reasons ?? []).map((reason) => make("p", {}, reason.text)),
      ),
    make(
      "dl",
      { class: "pairs" },
      call && [
        row("Customer", make("strong", {}, call.customer || "–"), call.phone ? [" ", ringLink(call.phone)] : ""),
        row("Where", geo(call.place)),
        call.access_words && row("On foot", call.access_words),
        (call.description || call.note) &&
          row("What", call.description, call.note && make("em", {}, `${call.description ? " – " : ""}${call.note}`)),
        row("Promised", call.promise ? span(stop.promise, zone) : "nothing"),
        ahead(stop) && stop.slack_s !== null && !stop.late_s &&
          row("In hand", make("span", { class: stop.tight ? "tight" : null }, `${length(stop.slack_s)}${stop.tight ? ", tight" : ""}`)),
      ],
      stop.restock && [
        row("Where", geo(stop.where)),
        row(
          "Fetch",
          make(
            "ul",
            {},
            stop.restock.fetch.map((pick) => make("li", {}, `${pick.load} ${pick.name}`, pick.bin ? `, bin ${pick.bin}` : "")),
          ),
        ),
        stop.restock.pay_cents > 0 && row("To pay", sum(stop.restock.pay_cents)),
      ],
      stop.drive_s > 0 &&
        row(
          "Drive",
          [
            length(stop.drive_s),
            // How far a drive behind went is not known.
            stop.drive_m > 0 ? distance(stop.drive_m, day.plan.day.distance) : "",
            `leave ${hhmm(stop.leave, zone)}`,
          ]
            .filter(Boolean)
            .join(", "),
          stop.leave_by > stop.leave ? `, by ${hhmm(stop.leave_by, zone)} at the latest` : "",
        ),
      wait && row("Waits before", `until ${hhmm(wait.until, zone)} at the latest: ${wait.reason}`),
      stop.issues.length > 0 &&
        row(
          "Takes",
          make(
            "ul",
            {},
            stop.issues.map((issue) =>
              make("li", {}, `${issue.quantity} ${issue.name}`, make("span", { class: "soft" }, `, ${ORIGIN[issue.origin]?.(issue) ?? issue.origin}`)),
            ),
          ),
        ),
      (needs.length > 0 || seen.length > 0) &&
        row(
          "Ready",
          make(
            "ul",
            { class: "ready" },
            needs.map((item) => make("li", { class: "open" }, `${READY[item.kind] ?? item.kind}: open (${item.owner})`)),
            seen.map((item) => make("li", { class: "soft" }, `${READY[item.kind] ?? item.kind}: ${item.state}`)),
          ),
        ),
    ),
    call && ahead(stop) && call.kind !== "held" &&
      make("p", { class: "acts" }, twice(`cancel ${call.id}`, "Customer cancels", `Yes, ${call.id} is cancelled`, () => cancelled(call))),
    call && ahead(stop) && call.kind !== "held" && codeForm(call, code),
  ];
}

// Seals a code for the driver; nobody in the office can read it again.
function codeForm(call, { keep, forget }) {
  const input = make("input", { id: "code", type: "password", autocomplete: "off", maxlength: 200, required: true });
  const what = make(
    "select",
    { id: "code-what" },
    [
      ["pin", "PIN"],
      ["bitting", "Key bitting"],
      ["other", "Something else"],
    ].map(([value, words]) => make("option", { value }, words)),
  );
  const form = make(
    "form",
    { class: "code-form" },
    make("p", { class: "hint" }, "The driver sees it near the visit. It cannot be read again here."),
    make("p", { class: "field" }, make("label", { for: "code-what" }, "What it is"), what),
    make("p", { class: "field" }, make("label", { for: "code" }, "Code"), input),
    make("p", { class: "acts" }, make("button", { type: "submit" }, "Seal it"), twice(`erase ${call.id}`, "Erase the sealed code", "Yes, erase it", () => forget(call))),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!input.value) return input.focus();
    keep(call, input.value, what.value);
    input.value = "";
    return undefined;
  });
  return make("details", { "data-keep": `code ${call.id}` }, make("summary", {}, "Code for the driver"), form);
}

// Whom to ring, with the words to say.
export function rings(found, day, told) {
  if (!found.length) return [make("h2", {}, "Customers to ring"), make("p", { class: "soft" }, "Nobody has to be rung.")];
  return [
    make("h2", {}, "Customers to ring", make("span", { class: "tally" }, String(found.length))),
    make(
      "ol",
      { class: "slips" },
      found.map((ring) => {
        const window = ring.window && {
          from: Date.parse(ring.window.start_at),
          until: Date.parse(ring.window.end_at),
        };
        return make(
          "li",
          { class: "slip brass" },
          make("h3", {}, ring.customer || `Call ${ring.call_id}`, make("span", { class: "soft" }, ` ${ring.call_id}`)),
          make("p", {}, ringLink(ring.phone), window && make("span", {}, ` new: ${span(window, day.zone)}`)),
          make("blockquote", {}, ring.message),
          make(
            "p",
            { class: "acts" },
            make(
              "button",
              { type: "button", "data-keep": `told ${ring.call_id}`, onclick: () => told(ring) },
              "I have told them",
              make("span", { class: "unseen" }, ` ${ring.customer}${window ? ` ${span(window, day.zone)}` : ""}`),
            ),
          ),
        );
      }),
    ),
  ];
}

// Calls on no round, with their reasons.
export function leftOut(day, rest, settle) {
  const found = (day.plan?.unplaced ?? []).map(({ call, reasons }) => ({
    id: call.id,
    call,
    reasons: reasons.map((reason) => ({ van: reason.van_id, text: reason.text, remedy: reason.remedy })),
  }));
  for (const one of rest?.left_out ?? []) {
    if (found.some(({ id }) => id === one.call_id)) continue;
    found.push({ id: one.call_id, call: null, reasons: one.reasons.map((text) => ({ van: null, text, remedy: "" })) });
  }
  const heading = (n) => make("h2", {}, "On no round", n > 0 && make("span", { class: "tally" }, String(n)));
  if (!found.length) return [heading(0), make("p", { class: "soft" }, "Somebody comes to every call.")];
  return [
    heading(found.length),
    make(
      "ol",
      { class: "slips" },
      found.map(({ id, call, reasons }) =>
        make(
          "li",
          { class: "slip red" },
          make("h3", {}, call?.customer || `Call ${id}`, make("span", { class: "soft" }, ` ${id}${call ? `, ${call.kind_name}` : ""}`)),
          call && make("p", { class: "small" }, call.place.name, call.phone && [", ", ringLink(call.phone)]),
          reasons.slice(0, 1).map(reasonLine),
          call?.place.lat_deg === null && settling(call, (place) => settle(call, place)),
          reasons.length > 1 &&
            make(
              "details",
              { "data-keep": `why ${id}` },
              make("summary", {}, `${count(reasons.length - 1, "more reason", "more reasons")}`),
              make("ul", {}, reasons.slice(1).map((reason) => make("li", {}, reasonLine(reason)))),
            ),
        ),
      ),
    ),
    (day.plan?.conflicts ?? []).map((conflict) => make("p", { class: "note" }, conflict.text)),
  ];
}

const reasonLine = ({ van, text, remedy }) => [
  make("p", {}, van && make("strong", {}, `${van}: `), text),
  remedy && make("p", { class: "remedy" }, remedy),
];

// Tonight's list: what to order, whom to ask, what to buy; one entry a call, those that
// take longest first, as the plan has them.
export function tonight(day) {
  const plan = day.plan;
  const buys = plan?.purchases ?? [];
  const risks = plan?.at_risk ?? [];
  const calls = new Map();
  for (const one of plan?.tonight ?? []) {
    calls.set(one.call_id, [...(calls.get(one.call_id) ?? []), one]);
  }
  const entries = [
    ...[...calls].map(([id, asks]) =>
      entry(
        id,
        asks.map((one) => [one.ask, one.by_at && make("span", { class: "soft by" }, "by ", when(hhmm(Date.parse(one.by_at), day.zone)))]),
      ),
    ),
    ...buys.map((one) =>
      entry("buy", [
        [
          `${one.quantity} ${one.name}, ${sum(one.cost_cents)}${one.where_name ? `, ${one.where_name}` : ""}${one.purpose === "spare" ? " (a spare)" : ` (${list(one.call_ids)})`}`,
          one.in_time === false && make("span", { class: "alarm by" }, "not in time"),
        ],
      ]),
    ),
    ...risks.map((one) => entry(one.call_id, [[one.text]])),
  ];
  if (!entries.length) return [make("h2", {}, "Tonight"), make("p", { class: "soft" }, "Nothing to see to.")];
  return [
    make("h2", {}, "Tonight", make("span", { class: "tally" }, String(entries.length))),
    make("ul", { class: "tonight" }, entries.slice(0, AT_ONCE)),
    entries.length > AT_ONCE &&
      make(
        "details",
        { "data-keep": "tonight" },
        make("summary", {}, count(entries.length - AT_ONCE, "more entry", "more entries")),
        make("ul", { class: "tonight" }, entries.slice(AT_ONCE)),
      ),
  ];
}

const AT_ONCE = 9;

const entry = (mark, lines) =>
  make("li", {}, make("b", {}, mark), make("ul", {}, lines.map(([words, by]) => make("li", {}, make("span", {}, words), by))));

const VERDICT = {
  free: ["nothing needed", "ok"],
  aboard: ["all aboard", "ok"],
  load: ["load at the shop", "eye"],
  fetch: ["fetch on the way", "eye"],
  swap: ["swap between vans", "eye"],
  short: ["short", "bad"],
};

// The shelves: is everything aboard?
export function shelves(check) {
  if (!check) return [make("h2", {}, "Shelves"), make("p", { class: "soft" }, "No van check for this day.")];
  return [
    make("h2", {}, "Shelves"),
    check.moves.length > 0 && make("ul", { class: "lines" }, check.moves.map((move) => make("li", {}, make("b", {}, "move"), make("span", {}, move.text)))),
    make(
      "div",
      { class: "racks" },
      check.vans.map((van) => {
        const [words, tone] = VERDICT[van.verdict] ?? [van.verdict, "eye"];
        return make(
          "article",
          { class: `rack ${tone}` },
          make("h3", {}, van.van_id, make("span", { class: "soft" }, ` ${van.driver}`), make("span", { class: `verdict ${tone}` }, words)),
          make("p", { class: "small" }, van.text),
          van.missing.length > 0 &&
            make(
              "ul",
              { class: "small alarm" },
              van.missing.map((one) =>
                make(
                  "li",
                  {},
                  `${one.call_id}: ${one.quantity} ${one.name} not aboard`,
                  one.in_shop ? `, ${one.in_shop} in the shop` : "",
                  one.in_vans.length ? `, ${one.in_vans.map(([id, n]) => `${n} in ${id}`).join(", ")}` : "",
                  one.at_counters.length ? `, ${one.at_counters.map(([id, n]) => `${n} at ${id}`).join(", ")}` : "",
                ),
              ),
            ),
          van.parts.length > 0 &&
            make(
              "details",
              { "data-keep": `rack ${van.van_id}` },
              make("summary", {}, count(van.parts.length, "part by bin", "parts by bin")),
              make(
                "table",
                { class: "bins" },
                make("thead", {}, make("tr", {}, ["Bin", "Part", "Aboard", "Load"].map((name) => make("th", { scope: "col" }, name)))),
                make(
                  "tbody",
                  {},
                  van.parts.map((part) =>
                    make(
                      "tr",
                      { class: part.load ? "open" : null },
                      make("th", { scope: "row" }, part.bin || "no bin"),
                      make("td", {}, part.name, make("span", { class: "soft" }, ` ${part.part_id}`)),
                      make("td", {}, String(part.aboard)),
                      make("td", {}, part.load ? String(part.load) : "–"),
                    ),
                  ),
                ),
              ),
            ),
        );
      }),
    ),
    check.short.length > 0 &&
      make("p", { class: "note red" }, `Short: ${check.short.map((one) => one.name ?? one.part_id).join(", ")}.`),
  ];
}


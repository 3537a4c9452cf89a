// What is asked before something is told: sheets that come up from below, near the thumb.

import { nameOf, sayFact, sayMinutes } from "./phone-day.js";
import { make } from "./draw.js";
import { icon } from "./phone-draw.js";

// Shows a dialog; resolves with what was chosen, null when it was closed.
function ask(title, content, { wide = false } = {}) {
  return new Promise((resolve) => {
    const dialog = make("dialog", { class: wide ? "talk tall" : "talk", "aria-labelledby": "talk-title" });
    let chosen = null;
    const choose = (value) => {
      chosen = value;
      dialog.close();
    };
    dialog.append(
      make(
        "div",
        { class: "talk-head" },
        make("h2", { id: "talk-title", tabindex: "-1" }, title),
        make("button", { type: "button", class: "close", onclick: () => dialog.close(), "aria-label": "Close" }, "×"),
      ),
      ...[content(choose)].flat(Infinity).filter(Boolean),
    );
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(chosen);
    });
    // A tap beside it closes it.
    dialog.addEventListener("click", (event) => {
      if (event.target === dialog) dialog.close();
    });
    document.body.append(dialog);
    dialog.showModal();
    dialog.querySelector("#talk-title").focus();
  });
}

export const isTalking = () => document.querySelector("dialog[open]") !== null;

const big = (words, onclick, kind = "") =>
  make("button", { type: "button", class: `big ${kind}`, onclick }, words);
const label = (words, field) => make("label", { class: "field" }, make("span", {}, words), field);

// A number with a large minus and plus. `value` null: not said.
function stepper(words, small, value, { least = 0, most = 999 } = {}) {
  let count = value;
  const shown = make("output", { class: "figures", "aria-live": "polite" });
  const less = make("button", { type: "button", "aria-label": `${words}: one less` }, "−");
  const more = make("button", { type: "button", "aria-label": `${words}: one more` }, "+");
  const show = () => {
    shown.replaceChildren(...(count === null ? [make("span", { "aria-hidden": "true" }, "–"), make("span", { class: "unseen" }, "not counted")] : [String(count)]));
    less.disabled = count === null || count <= least;
    more.disabled = count !== null && count >= most;
  };
  less.addEventListener("click", () => {
    count -= 1;
    show();
  });
  more.addEventListener("click", () => {
    count = count === null ? Math.max(least, 1) : count + 1;
    show();
  });
  show();
  const element = make(
    "div",
    { class: "stepper", role: "group", "aria-label": words },
    make("span", { class: "what" }, make("strong", {}, words), small && make("small", {}, small)),
    less,
    shown,
    more,
  );
  return { element, count: () => count };
}

// Steppers for parts, and a way to name another one of the van's.
function counter(parts, stock) {
  const lines = parts.map((part) => ({
    part_id: part.part_id,
    planned: part.quantity,
    ...stepper(part.name, part.part_id, part.quantity),
  }));
  const box = make("div", { class: "lines" }, lines.map((each) => each.element));
  const others = stock.filter((each) => !parts.some((part) => part.part_id === each.part_id));
  const choice = make(
    "select",
    {},
    make("option", { value: "" }, "Choose a part"),
    others.map((each) => make("option", { value: each.part_id }, `${each.name} (${each.part_id})`)),
  );
  choice.addEventListener("change", () => {
    const part = others.find((each) => each.part_id === choice.value);
    if (part === undefined) return;
    const line = { part_id: part.part_id, planned: 0, ...stepper(part.name, part.part_id, 1) };
    lines.push(line);
    box.append(line.element);
    choice.selectedOptions[0].remove();
    choice.value = "";
  });
  const content = [box, others.length > 0 && label("Another part", choice)];
  const isPlanned = () => lines.every((each) => each.count() === each.planned);
  const counted = () =>
    lines
      .filter((each) => each.count() > 0)
      .map((each) => ({ part_id: each.part_id, quantity: each.count() }));
  return { content, isPlanned, counted };
}

// The same part may stand on several lines of the sheet (two needs, two origins).
function gather(lines) {
  const sums = new Map();
  for (const each of lines) {
    const was = sums.get(each.part_id)?.quantity ?? 0;
    sums.set(each.part_id, { ...each, quantity: was + each.quantity });
  }
  return [...sums.values()];
}

const noteField = () => make("textarea", { rows: "2", maxlength: "500" });
const notes = (field) => (field.value.trim() === "" ? {} : { note: field.value.trim() });

export function askDone(stop, stock) {
  const parts = counter(gather(stop.take), stock);
  const wantsKeys =
    stop.call.cautions.includes("keys_erased") || stop.call.ready.some((each) => each.kind === "keys_present");
  const keys = stepper("Keys working now", wantsKeys ? "new and old" : "if there were any", null, { most: 99 });
  const note = noteField();
  return ask(`Done at ${nameOf(stop)}`, (choose) => [
    make("h3", {}, "Used up"),
    stop.take.length === 0 && make("p", { class: "quiet" }, "Nothing was planned."),
    parts.content,
    keys.element,
    label("Note for the office", note),
    big("Done", () =>
      choose({
        ...(parts.isPlanned() ? {} : { parts: parts.counted() }),
        ...(keys.count() === null ? {} : { keys: keys.count() }),
        ...notes(note),
      }), "go final"),
  ]);
}

export function askLoaded(stop, stock) {
  const fetch = stop.restock.fetch.map((pick) => ({ ...pick, quantity: pick.load }));
  const parts = counter(gather(fetch), stock);
  const note = noteField();
  return ask(`Loaded at ${nameOf(stop)}`, (choose) => [
    make("h3", {}, "Taken aboard"),
    parts.content,
    label("Note for the office", note),
    big("Loaded", () =>
      choose({ ...(parts.isPlanned() ? {} : { parts: parts.counted() }), ...notes(note) }), "go final"),
  ]);
}

export function askNotThere(stop) {
  const note = noteField();
  return ask(`Nobody at ${nameOf(stop)}?`, (choose) => [
    make("p", {}, "Ring first; wait as long as your office agreed. Then the plan goes on without this stop."),
    make("p", {}, "If somebody may be inside and does not answer: ring the emergency number."),
    label("Note for the office", note),
    big("Nobody is there", () => choose(notes(note)), "stern final"),
  ]);
}

const LATE_MINUTES = [5, 10, 15, 20, 30, 45, 60, 90];

export function askLate(isLate) {
  return ask("How much later?", (choose) => [
    make("p", {}, "Everything from here on is moved by that."),
    make(
      "div",
      { class: "grid" },
      LATE_MINUTES.map((minutes) =>
        big(sayMinutes(minutes * 60), () => choose({ late_s: minutes * 60 })),
      ),
    ),
    isLate && big("On time again", () => choose({ late_s: 0 })),
  ]);
}

// Parts that spoiled, were used up at another moment, or came in.
export function askParts(title, verb, take, stock, kind) {
  const parts = counter(gather(take).map((each) => ({ ...each, quantity: 0 })), stock);
  const note = noteField();
  return ask(title, (choose) => {
    const fault = make("p", { class: "fault", role: "alert" });
    return [
      parts.content,
      label("Note for the office", note),
      fault,
      big(verb, () => {
        const counted = parts.counted();
        if (counted.length === 0) fault.textContent = "Say which part, and how many.";
        else choose({ parts: counted, ...notes(note) });
      }, `${kind} final`),
    ];
  });
}

export const askSure = (title, words, yes, kind = "go") =>
  ask(title, (choose) => [make("p", {}, words), big(yes, () => choose(true), kind)]);

// Not all was ticked off: as planned, or only that?
export const askLoad = (count) =>
  ask("Not all is ticked off", (choose) => [
    make("p", {}, `${count} ${count === 1 ? "line is" : "lines are"} not ticked off on the list. The plan reckons with what is in the van.`),
    big("All of it is in the van", () => choose("all"), "go"),
    big("Only what I ticked off", () => choose("ticked")),
  ]);

// Every fact that is not on the bar. Resolves with the name of what was chosen.
export const askMore = (steps, isDown) =>
  ask("More", (choose) => [
    make("div", { class: "grid" }, steps.map(([key, words]) => big(words, () => choose(key)))),
    isDown ? big("Back on the road", () => choose("van_up")) : big("Off the road today", () => choose("van_down")),
  ]);

// What belongs to the phone itself. Resolves with the name of what was chosen.
export function askPhone({ emergencyNumber, until, canKeep, setEmergency }) {
  const number = make("input", { type: "tel", value: emergencyNumber, autocomplete: "off", maxlength: "16" });
  number.addEventListener("change", () => setEmergency(number.value.trim()));
  return ask(
    "This phone",
    (choose) => [
      label("Emergency number here, for one touch", number),
      make("p", { class: "quiet" }, until),
      !canKeep &&
        make("p", { class: "quiet" }, "Without coverage this page cannot open here: that needs https, or a browser that allows it."),
      big("What was told", () => choose("told")),
      big("End the pairing of this phone", () => choose("unpair")),
    ],
    { wide: true },
  );
}

const STATES = {
  waiting: ["send", "not sent yet"],
  taken: ["tick", "sent"],
  refused: ["alert", "not taken"],
};

// What was told, and how far it is. `drop` removes one that was refused.
export function showTold({ facts, sheet, link, timeOf, drop }) {
  return ask(
    "What was told",
    () => [
      make("p", { class: "quiet" }, link),
      facts.length === 0 && make("p", {}, "Nothing yet today."),
      make(
        "ul",
        { class: "told" },
        [...facts].reverse().map((fact) => {
          const [picture, words] = STATES[fact.state];
          const item = make(
            "li",
            { class: `is-${fact.state}` },
            icon(picture),
            make("time", { datetime: fact.body.at }, timeOf(fact)),
            make(
              "span",
              { class: "what" },
              make("strong", {}, sayFact(fact.body, sheet)),
              make("small", {}, fact.state === "refused" ? `not taken: ${fact.reason}` : words),
            ),
            fact.state === "refused" &&
              make("button", { type: "button", onclick: () => {
                drop(fact);
                item.remove();
              } }, "Understood"),
          );
          return item;
        }),
      ),
    ],
    { wide: true },
  );
}

// The first screen: the code from the office.
export function showPairing({ why, waiting, pair }) {
  const field = make("input", {
    id: "code",
    name: "code",
    class: "figures",
    type: "text",
    required: true,
    autocomplete: "one-time-code",
    autocapitalize: "characters",
    spellcheck: "false",
    maxlength: "12",
    "aria-describedby": "code-hint code-fault",
  });
  // The dash is set for the driver; small letters become large ones.
  field.addEventListener("input", () => {
    const text = field.value.toUpperCase().replaceAll(/[^A-Z0-9]/g, "");
    field.value = text.length > 4 ? `${text.slice(0, 4)}-${text.slice(4, 8)}` : text;
  });
  const fault = make("p", { id: "code-fault", class: "fault", role: "alert" });
  const button = make("button", { type: "submit", class: "go big" }, "Pair this phone");
  const form = make(
    "form",
    { class: "pairing", novalidate: true },
    make("img", { src: "/page/icon.svg", alt: "", width: "72", height: "72" }),
    make("h1", {}, "Pair this phone"),
    why && make("p", { class: "why" }, why),
    waiting > 0 &&
      make("p", { class: "why" }, `${waiting} ${waiting === 1 ? "thing" : "things"} you told ${waiting === 1 ? "is" : "are"} kept here and not sent yet: sent once this phone is paired again.`),
    make("p", { id: "code-hint" }, "The office gives you a code of eight letters and figures. It works once, for ten minutes."),
    make("label", { for: "code" }, "Code"),
    field,
    fault,
    button,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    fault.textContent = "";
    field.removeAttribute("aria-invalid");
    if (field.value.replaceAll("-", "").length < 8) {
      fault.textContent = "The code has eight letters and figures.";
    } else {
      button.disabled = true;
      fault.textContent = (await pair(field.value)) ?? "";
      button.disabled = false;
    }
    if (fault.textContent !== "") {
      field.setAttribute("aria-invalid", "true");
      field.focus();
    }
  });
  return form;
}

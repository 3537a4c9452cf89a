// An urgent call: danger first, then what can be done about it, side by side.

import { make } from "./draw.js";
import { renew, when } from "./office-draw.js";
import { candidates, position } from "./office-place.js";
import { NoLink, Refusal, accept, freshKey, pinPlace, seekPlace, urgent } from "./office-wire.js";
import { count, hhmm, instant, length, list, rfc3339, span, sum } from "./office-words.js";

// As dispatch/urgent.py says it, here before anything is asked; a test holds both together.
export const DANGER = [
  "Danger to life: the caller rings the emergency number of the place they are in (112, 911, 999, 000 ...) now, before anything else is said about vans, prices or papers.",
  "Tell the caller: hang up and ring the emergency number of the place they are in (112, 911, 999, 000 ...). Say where you are, who is locked in and how they are. Do what the emergency service tells you, also if a pane has to be broken. Fire, smoke, gas or a running engine in a closed space: get out and stay away. Otherwise stay near, where it is safe, and keep talking to them. Then ring us back. If the caller cannot ring, keep them on the line, ask where they are, and ring for them on another phone.",
];

const POINT = {
  soonest: "Soonest",
  keeping: "Keeps every promise",
  quiet: "Moves nobody else",
  cheapest: "Costs least",
  after_hours: "After hours",
  refer: "Pass it on",
  decline: "Do not take it",
};

const GRAIN_MS = 300_000; // what people say on the phone: five minutes
const SPAN_MS = 1_800_000;
const CLOCK = { inputmode: "numeric", maxlength: 5, size: 5, placeholder: "HH:MM" };

// Opens the form. `desk` lends: day(), calls(), parts(), kinds(), places(), now(), preview(option or
// null), cross(place or null), pick(callback or null), booked(callId, words), close().
export function urgentDesk(desk) {
  const answer = make("div", { class: "answer", "aria-live": "off" });
  const dangerBox = make("div", { role: "alert" });
  const faults = make("div", { role: "alert" });
  let inquiry = null;

  const field = (name, words, control, hint) => {
    control.id = `urgent-${name}`;
    control.name = name;
    if (hint) control.setAttribute("aria-describedby", `urgent-${name}-hint`);
    return make(
      "p",
      { class: `field ${name}` },
      make("label", { for: control.id }, words),
      control,
      hint && make("span", { class: "hint", id: `urgent-${name}-hint` }, hint),
    );
  };
  const input = (props = {}) => make("input", { autocomplete: "off", ...props });

  const nobody = make("input", { type: "radio", name: "danger", value: "no", id: "danger-no", required: true });
  const somebody = make("input", { type: "radio", name: "danger", value: "yes", id: "danger-yes" });
  for (const radio of [nobody, somebody]) radio.addEventListener("change", () => showDanger());
  function showDanger() {
    renew(
      dangerBox,
      somebody.checked &&
        make("div", { class: "emergency" }, make("strong", {}, "Emergency number first"), DANGER.map((words) => make("p", {}, words))),
    );
  }

  const name = input({ required: true, maxlength: 200 });
  const spot = input({ required: true, placeholder: "53.7012, -1.2930", inputmode: "text" });
  const known = make(
    "select",
    {
      onchange: () => {
        const place = desk.places()[Number(known.value)];
        if (!place) return;
        name.value = place.name;
        setSpot(place);
      },
    },
    make("option", { value: "" }, "none of them"),
    desk.places().map((place, i) => make("option", { value: i }, place.label)),
  );
  const picker = make(
    "button",
    { type: "button", "aria-pressed": "false", onclick: () => picking(picker.getAttribute("aria-pressed") !== "true") },
    "Point at it in the picture",
  );
  function picking(on) {
    picker.setAttribute("aria-pressed", String(on));
    desk.pick(on ? (place) => { setSpot(place); picking(false); picker.focus(); } : null);
  }
  function setSpot(place) {
    spot.value = `${place.lat_deg}, ${place.lon_deg}`;
    spot.setCustomValidity("");
    desk.cross(place);
  }
  // Where the address is that was typed; asked back where it may be several places.
  const where = make("div", { class: "where", role: "status" });
  let sought = "";
  async function seekSpot() {
    const address = name.value.trim();
    if (!address || spot.value.trim() || sought === address) return;
    sought = address;
    renew(where);
    const found = await seekPlace(address);
    if (name.value.trim() !== address || spot.value.trim()) return; // typed on meanwhile
    if (found.place) {
      setSpot(found.place);
      return renew(where, make("p", { class: "hint" }, [found.words || "Found.", found.credit].filter(Boolean).join(" ")));
    }
    renew(
      where,
      make("p", { class: "hint" }, found.words),
      candidates(found.candidates, (place) =>
        trying(async () => {
          setSpot(place);
          spot.focus();
          renew(where);
          await pinPlace({ address, lat_deg: place.lat_deg, lon_deg: place.lon_deg }, freshKey());
          renew(where, make("p", { class: "hint" }, `${address} is ${place.name} from now on.`));
        }),
      ),
    );
  }
  async function trying(work) {
    try {
      await work();
    } catch (error) {
      refuse(error);
    }
  }
  name.addEventListener("change", () => trying(seekSpot));
  spot.addEventListener("change", () => {
    renew(where);
    const place = position(spot.value);
    spot.setCustomValidity(place ? "" : "Latitude and longitude, as in 53.7012, -1.2930");
    desk.cross(place);
  });

  const kind = make(
    "select",
    { required: true },
    make("option", { value: "" }, "choose"),
    desk.kinds().map((each) => make("option", { value: each.id }, each.name)),
  );
  const needs = [];
  const needBox = make("ul", { class: "needs" });
  const part = make(
    "select",
    {},
    make("option", { value: "" }, "no part"),
    desk.parts().map((one) => make("option", { value: one.id ?? one.part_id }, `${one.name} ${one.id ?? one.part_id}`)),
  );
  const quantity = input({ type: "number", min: 1, max: 99, value: 1, class: "short" });
  const addNeed = make(
    "button",
    {
      type: "button",
      onclick: () => {
        if (!part.value) return part.focus();
        needs.push({ alternatives: [part.value], quantity: Math.max(1, Number(quantity.value) || 1) });
        [part.value, quantity.value] = ["", "1"];
        showNeeds();
        part.focus();
      },
    },
    "Add part",
  );
  function showNeeds() {
    renew(
      needBox,
      needs.map((need, i) =>
        make(
          "li",
          {},
          `${need.quantity} × ${need.alternatives[0]} `,
          make(
            "button",
            {
              type: "button",
              class: "slim",
              "aria-label": `Take out ${need.alternatives[0]}`,
              onclick: () => {
                needs.splice(i, 1);
                showNeeds();
                part.focus();
              },
            },
            "×",
          ),
        ),
      ),
    );
  }

  const customer = input({ maxlength: 200 });
  const phone = input({ type: "tel", maxlength: 40 });
  const description = input({ maxlength: 500, placeholder: "estate, keys inside" });
  const number = input({ required: true, maxlength: 64, value: nextNumber(desk) });
  const send = make("button", { type: "submit", class: "go" }, "See what can be done");

  const form = make(
    "form",
    { class: "urgent-form", novalidate: true },
    make(
      "fieldset",
      { class: "danger", "aria-describedby": "danger-hint" },
      make("legend", {}, "Is a person, a child or an animal in danger?"),
      make("span", { class: "hint", id: "danger-hint" }, "Locked in or alone, ill, too hot or too cold, something on the stove, fire, gas, engine running?"),
      make("span", { class: "choice" }, nobody, make("label", { for: "danger-no" }, "No, nobody")),
      make("span", { class: "choice" }, somebody, make("label", { for: "danger-yes" }, "Yes, or not sure")),
    ),
    dangerBox,
    make(
      "div",
      { class: "fields" },
      field("known", "A place we know", known),
      field("place", "Where, in words", name),
      field("spot", "Position", spot, "latitude, longitude"),
      make("p", { class: "field pick" }, picker),
      where,
      field("kind", "Kind of work", kind),
      field("description", "What is locked, and how", description),
      make(
        "fieldset",
        { class: "field parts" },
        make("legend", {}, "Parts it will use"),
        make("span", { class: "line" }, labelled("urgent-part", "Part", part), labelled("urgent-quantity", "Pieces", quantity), addNeed),
        needBox,
      ),
      field("customer", "Caller", customer),
      field("phone", "Number to ring back", phone),
      field("number", "Call number", number),
    ),
    faults,
    make("p", { class: "acts" }, send),
  );

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    await trying(seekSpot);
    const wrong = check();
    if (wrong.length) {
      renew(faults, faultList(wrong.map(([words]) => words)));
      wrong[0][1].focus();
      return;
    }
    renew(faults);
    const call = {
      id: number.value.trim(),
      place: { name: name.value.trim(), ...position(spot.value) },
      kind: kind.value,
      customer: customer.value.trim(),
      phone: phone.value.trim(),
      description: description.value.trim(),
      needs,
      priority: 1,
    };
    send.disabled = true;
    renew(answer, make("p", { class: "soft", role: "status" }, "Looking at every van …"));
    try {
      inquiry = await urgent(desk.day().date, call, somebody.checked);
      showOptions(call);
    } catch (error) {
      renew(answer);
      refuse(error);
    } finally {
      send.disabled = false;
    }
  });

  function check() {
    const wrong = [];
    if (!nobody.checked && !somebody.checked) wrong.push(["Ask first whether somebody is in danger.", nobody]);
    if (!name.value.trim()) wrong.push(["Where is it? A street, a car park …", name]);
    if (!position(spot.value)) wrong.push(["Position? Latitude and longitude, a place we know, or a point in the picture.", spot]);
    if (!kind.value) wrong.push(["Which kind of work is it?", kind]);
    if (!number.value.trim()) wrong.push(["The call needs a number.", number]);
    return wrong;
  }

  function refuse(error) {
    if (!(error instanceof Refusal) && !(error instanceof NoLink)) throw error;
    renew(
      faults,
      faultList(
        error.faults?.length
          ? error.faults.map((fault) => `${fault.where}: ${fault.got} – ${fault.expected}`)
          : [error.message],
      ),
    );
    faults.scrollIntoView({ block: "nearest" });
  }

  function showOptions(call) {
    const found = inquiry.document;
    const heading = make("h3", { tabindex: "-1", class: "found" }, "What can be done");
    renew(
      answer,
      found.first.length > 0 &&
        make(
          "div",
          { class: somebody.checked ? "emergency" : "note brass" },
          make("strong", {}, somebody.checked ? "Emergency number first" : "If that changes"),
          found.first.map((words) => make("p", {}, words)),
        ),
      heading,
      make("div", { class: "moved-on", role: "alert" }),
      make(
        "div",
        { class: "choices" },
        make(
          "ol",
          { class: "options" },
          found.options.map((option, i) => option.van_id !== null && optionCard(option, i, call)),
        ),
        make(
          "ul",
          { class: "options asides", "aria-label": "Or" },
          found.options.map((option, i) => option.van_id === null && optionCard(option, i, call)),
        ),
      ),
    );
    heading.focus();
    // Danger stays in sight; otherwise the options do.
    (somebody.checked ? answer : heading).scrollIntoView({ block: "start" });
  }

  function optionCard(option, i, call) {
    const day = desk.day();
    const clock = (s) => hhmm(day.start + s * 1000, day.zone);
    const calls = desk.calls();
    const whom = (id) => `${id} ${calls.get(id)?.customer ?? ""}`.trim();
    const others = option.changes.filter(
      (change) => change.call_id !== call.id && !option.dropped.includes(change.call_id),
    );
    const givenUp = (id) => {
      const promise = [...day.stops.values()].find((stop) => stop.call?.id === id)?.promise;
      return promise ? `${whom(id)} (was promised ${span(promise, day.zone)})` : whom(id);
    };
    // What is cheap because a customer is given up is not called so.
    const told = [option.kind, ...option.also].filter((kind) => kind !== "cheapest" || !option.dropped.length);
    const title = POINT[told[0]] ?? told[0] ?? "Gives a customer up";
    const van = day.rows.find((row) => row.id === option.van_id);
    const takes = option.van_id !== null;
    const start = takes ? day.start + option.start_s * 1000 : null;
    const from = takes ? Math.floor(start / GRAIN_MS) * GRAIN_MS : null;
    const key = freshKey();
    const tellFrom = input({ ...CLOCK, id: `tell-from-${i}`, value: takes ? hhmm(from, day.zone) : "" });
    const tellUntil = input({ ...CLOCK, id: `tell-until-${i}`, value: takes ? hhmm(from + SPAN_MS, day.zone) : "" });
    const trouble = make("p", { role: "alert", class: "alarm" });
    const book = make("button", { type: "button", class: "go book", "aria-describedby": `option-${i}` }, "Give them this time");
    book.addEventListener("click", async () => {
      const start_at = instant(day.date, day.zone, tellFrom.value);
      const end_at = instant(day.date, day.zone, tellUntil.value);
      if (start_at === null || end_at === null || end_at < start_at) {
        renew(trouble, "From when until when was the caller told?");
        return tellFrom.focus();
      }
      book.disabled = true;
      try {
        await accept(day.date, inquiry.id, i, { start_at: rfc3339(start_at), end_at: rfc3339(end_at) }, key);
        desk.booked(call.id, `Booked: ${van?.driver ?? option.van_id} starts at ${clock(option.start_s)}. ${option.rings.length ? `${count(option.rings.length, "customer", "customers")} to ring.` : "Nobody has to be rung."}`);
      } catch (error) {
        if (!(error instanceof Refusal) && !(error instanceof NoLink)) throw error;
        book.disabled = false;
        renew(trouble, error.message);
        book.focus();
      }
    });
    const line = (name, value, tone) =>
      make("div", { class: `line ${tone ?? ""}` }, make("dt", {}, name), make("dd", {}, value));
    const none = make("span", { class: "soft" }, "none");
    return make(
      "li",
      {
        class: `option${takes ? "" : " aside"}`,
        onfocusin: () => desk.preview(option),
        onmouseenter: () => desk.preview(option),
        onmouseleave: () => desk.preview(null),
      },
      make(
        "h4",
        { id: `option-${i}` },
        title,
        told.length > 1 && make("span", { class: "also" }, told.slice(1).map((also) => POINT[also] ?? also).join(" · ")),
      ),
      takes
        ? make(
            "p",
            { class: "start" },
            when(clock(option.start_s)),
            make("span", {}, van?.driver ?? option.van_id, make("br"), make("span", { class: "soft" }, `van ${option.van_id}, in ${length(option.start_s - inquiry.document.now_s)}`)),
          )
        : make("p", { class: "start words" }, option.words),
      make(
        "dl",
        {},
        takes && [
          line("Costs", `${sum(Math.abs(option.cost_cents))} ${option.cost_cents < 0 ? "less" : "more"}${option.cost_cents < 0 && option.dropped.length ? `, as nobody comes to ${list(option.dropped)}` : ""}`),
          line(
            "Moved",
            others.length
              ? make(
                  "ul",
                  {},
                  others.map((change) =>
                    make(
                      "li",
                      {},
                      make("b", {}, whom(change.call_id)),
                      make(
                        "span",
                        {},
                        change.to_s === null
                          ? " nobody comes"
                          : ` ${clock(change.to_s)}${change.from_s === null ? "" : ` instead of ${clock(change.from_s)}`}`,
                        change.by_s ? `, ${length(change.by_s)} ${change.by_s > 0 ? "later" : "earlier"}` : "",
                        change.to_van && change.from_van && change.to_van !== change.from_van ? `, van ${change.to_van}` : "",
                        change.ring && make("em", {}, " ring"),
                      ),
                    ),
                  ),
                )
              : none.cloneNode(true),
            others.length ? "tall" : "",
          ),
          line("Promises broken", option.broken.length ? list(option.broken.map(whom)) : none.cloneNode(true), option.broken.length ? "bad" : ""),
          line("Nobody comes to", option.dropped.length ? list(option.dropped.map(givenUp)) : none.cloneNode(true), option.dropped.length ? "bad" : ""),
          line("Parts", option.parts.length ? make("ul", {}, option.parts.map((words) => make("li", {}, words))) : none.cloneNode(true)),
          option.agree && line("Ask the driver", option.agree, "eye"),
        ],
        option.reasons.length > 0 && line("Why no van", make("ul", {}, option.reasons.map((words) => make("li", {}, words))), "eye"),
      ),
      takes &&
        make(
          "div",
          { class: "tell" },
          make(
            "fieldset",
            {},
            make("legend", {}, "Tell the caller"),
            make("label", { for: tellFrom.id, class: "unseen" }, "from"),
            tellFrom,
            make("span", {}, "to"),
            make("label", { for: tellUntil.id, class: "unseen" }, "until"),
            tellUntil,
          ),
          trouble,
          book,
        ),
      !takes &&
        make(
          "div",
          { class: "tell" },
          make("button", { type: "button", onclick: () => desk.close(`${POINT[option.kind]}: the plan stays as it is.`) }, option.kind === "refer" ? "Close: I have passed it on" : "Close: I have told them no"),
        ),
    );
  }

  const panel = make(
    "section",
    { class: "panel urgent", "aria-labelledby": "urgent-title" },
    make(
      "header",
      {},
      make("h2", { id: "urgent-title", tabindex: "-1" }, "Urgent call"),
      make("button", { type: "button", class: "slim", onclick: () => desk.close() }, "Close"),
    ),
    form,
    answer,
  );
  panel.addEventListener("keydown", (event) => {
    if (event.key === "Escape") desk.close();
  });
  return {
    panel,
    focus: () => nobody.focus(),
    // The day has moved on: the options are of an older plan.
    moved(version) {
      if (!inquiry || inquiry.plan_version === version) return;
      const box = answer.querySelector(".moved-on");
      if (!box || box.childElementCount) return;
      renew(box, make("div", { class: "note brass" }, make("strong", {}, "The day has moved on. "), "These options are of the plan before: ask again."));
      for (const button of answer.querySelectorAll(".book")) button.disabled = true;
    },
  };
}

const labelled = (id, words, control) => {
  control.id = id;
  return make("span", { class: "labelled" }, make("label", { for: id }, words), control);
};

export const faultList = (words) =>
  make("div", { class: "note red" }, words.length === 1 ? make("p", {}, words[0]) : make("ul", {}, words.map((one) => make("li", {}, one))));

// A number that no call of the day has: U and the clock, as it is written on the slip.
function nextNumber(desk) {
  const day = desk.day();
  const base = `U${hhmm(desk.now(), day.zone).replace(":", "")}`;
  let name = base;
  for (let i = 2; desk.calls().has(name); i += 1) name = `${base}-${i}`;
  return name;
}

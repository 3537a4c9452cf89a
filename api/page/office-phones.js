// Phones: pair one with its van, see which are, take the key away.

import { make } from "./draw.js";
import { renew } from "./office-draw.js";
import { twice } from "./office-side.js";
import { freshKey, keys, now, pair, revoke } from "./office-wire.js";
import { count } from "./office-words.js";

// Opens the panel. `desk` lends: vans(), attempt(act), say(words), close().
export function phoneDesk(desk) {
  const codeBox = make("div", { role: "status" });
  const keyBox = make("div", {});
  let countdown = null;

  const heading = make("h2", { id: "phones-title", tabindex: "-1" }, "Phones");
  const van = make(
    "select",
    { id: "pair-van" },
    desk.vans().map((one) => make("option", { value: one.id }, `${one.id}, ${one.driver ?? ""}`)),
  );

  function showCode({ code, expires_at }, whose) {
    clearInterval(countdown);
    const left = make("span", {});
    const tick = () => {
      const seconds = Math.max(0, Math.round((Date.parse(expires_at) - now()) / 1000));
      left.textContent = seconds
        ? `Good once, for ${Math.ceil(seconds / 60)} min.`
        : "Run out: make another one.";
      if (!seconds) clearInterval(countdown);
      // Nothing tells of a phone that has typed its code: look while one may.
      if (seconds % 3 === 0 && !keyBox.contains(document.activeElement)) desk.attempt(showKeys);
    };
    renew(
      codeBox,
      make(
        "div",
        { class: "code" },
        make("p", {}, `On the phone for van ${whose}, open this address with /phone and type:`),
        make("p", { class: "figures" }, code),
        // Not read out every second.
        make("p", { class: "soft", "aria-live": "off" }, left),
      ),
    );
    tick();
    countdown = setInterval(tick, 1000);
  }

  async function showKeys() {
    const found = (await keys()).filter((key) => key.kind === "van");
    renew(
      keyBox,
      make("h3", {}, "Paired"),
      found.length
        ? make(
            "ul",
            { class: "lines keys" },
            found.map((key) =>
              make(
                "li",
                {},
                make("b", {}, key.van_id),
                make("span", {}, key.label || "a phone", make("span", { class: "soft" }, seen(key))),
                twice(`revoke ${key.id}`, ["Revoke", make("span", { class: "unseen" }, ` of ${key.label || "a phone"}, van ${key.van_id}`)], "Yes, end the pairing", () =>
                  desk.attempt(async () => {
                    await revoke(key.id);
                    desk.say(`The phone of van ${key.van_id} is no longer paired.`);
                    await showKeys();
                    heading.focus();
                  }),
                ),
              ),
            ),
          )
        : make("p", { class: "soft" }, "No phone is paired."),
    );
  }

  const form = make(
    "form",
    { class: "pair-form" },
    make("p", { class: "field" }, make("label", { for: "pair-van" }, "Van"), van),
    make("button", { type: "submit", class: "go" }, "Show a one-time code"),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    desk.attempt(async () => showCode(await pair(van.value, freshKey()), van.value));
  });

  const panel = make(
    "section",
    { class: "panel phones", "aria-labelledby": "phones-title" },
    make("header", {}, heading, make("button", { type: "button", class: "slim", onclick: () => desk.close() }, "Close")),
    make("div", { class: "pairing" }, make("div", {}, make("h3", {}, "Pair a phone"), form, codeBox), keyBox),
  );
  panel.addEventListener("keydown", (event) => {
    if (event.key === "Escape") desk.close();
  });
  desk.attempt(showKeys);
  return {
    panel,
    focus: () => van.focus(),
    changed: () => desk.attempt(showKeys),
    closed: () => clearInterval(countdown),
  };
}

function seen(key) {
  if (!key.seen_at) return ", not seen yet";
  const minutes = Math.round((now() - Date.parse(key.seen_at)) / 60_000);
  if (minutes < 2) return ", seen just now";
  if (minutes < 120) return `, seen ${minutes} min ago`;
  if (minutes < 2880) return `, seen ${Math.round(minutes / 60)} h ago`;
  return `, seen ${count(Math.round(minutes / 1440), "day", "days")} ago`;
}

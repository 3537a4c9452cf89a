// How elements are put in place of older ones without losing the focus; the sign.

import { draw, make } from "./draw.js";

// Puts new content into a box. What has `data-keep` is the same thing before and after:
// it keeps the focus, stays open where it was, and asks on what it was asking.
export function renew(box, ...content) {
  const active = box.contains(document.activeElement) ? document.activeElement.dataset.keep : null;
  const open = new Set(
    [...box.querySelectorAll("details[open][data-keep]")].map((each) => each.dataset.keep),
  );
  const asking = new Set(
    [...box.querySelectorAll(".twice [data-keep$=' yes']")].map((each) => each.dataset.keep),
  );
  const scrolls = new Map(
    [...box.querySelectorAll("[data-scroll]")].map((each) => [each.dataset.scroll, each.scrollLeft]),
  );
  box.replaceChildren(
    ...content.flat(Infinity).filter((each) => each !== null && each !== undefined && each !== false),
  );
  for (const each of box.querySelectorAll("details[data-keep]")) {
    if (open.has(each.dataset.keep)) each.open = true;
  }
  for (const each of box.querySelectorAll(".twice")) {
    if (asking.has(`${each.firstChild.dataset.keep} yes`)) each.dispatchEvent(new Event("again"));
  }
  for (const each of box.querySelectorAll("[data-scroll]")) {
    each.scrollLeft = scrolls.get(each.dataset.scroll) ?? 0;
  }
  if (active) {
    // A question that went with the old content gives way to what asked it.
    const again = find(box, active) ?? find(box, active.replace(/ (yes|no)$/, ""));
    again?.focus({ preventScroll: true });
  }
}

export const find = (box, keep) =>
  [...box.querySelectorAll("[data-keep]")].find((each) => each.dataset.keep === keep);

// The sign of the house: a key whose blade is a day.
export const sign = () =>
  draw(
    "svg",
    { viewBox: "0 0 64 28", class: "sign", "aria-hidden": "true", focusable: "false" },
    draw("path", {
      d: "M14 1a13 13 0 1 0 0 26 13 13 0 0 0 0-26ZM10 9.500a4.500 4.500 0 1 1 0 9 4.500 4.500 0 0 1 0-9Z",
      "fill-rule": "evenodd",
    }),
    draw("path", { d: "M26 9h33l4 4.500-3 4.500h-4l-2-3h-5l-2 5h-6l-2-5h-5l-2 3h-6Z" }),
  );

export const when = (words) => make("time", {}, words);

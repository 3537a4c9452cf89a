// Where an address is: typed by hand, or chosen among the places that it may mean.

import { make } from "./draw.js";

// Reads "53.7, -1.3" or a geo URI; null where it is none.
export function position(words) {
  const match = /^\s*(?:geo:)?\s*(-?\d{1,2}(?:\.\d+)?)\s*[,; ]\s*(-?\d{1,3}(?:\.\d+)?)\s*(?:[;?].*)?$/i.exec(words);
  if (!match) return null;
  const [lat_deg, lon_deg] = [Number(match[1]), Number(match[2])];
  return Math.abs(lat_deg) <= 90 && Math.abs(lon_deg) <= 180 ? { lat_deg, lon_deg } : null;
}

// The places that an address may mean, each a button.
export const candidates = (places, choose) =>
  places.length > 0 &&
  make(
    "ul",
    { class: "candidates" },
    places.map((place) =>
      make("li", {}, make("button", { type: "button", "data-keep": `at ${place.lat_deg} ${place.lon_deg}`, onclick: () => choose(place) }, place.name || `${place.lat_deg}, ${place.lon_deg}`)),
    ),
  );

// What was typed so far, by call: the list is drawn anew whenever the day moves on.
const drafts = new Map();

// Settles where a call is that nobody knows the place of: `settle({ lat_deg, lon_deg })`.
export function settling(call, settle) {
  const spot = make("input", { autocomplete: "off", size: 20, id: `spot-${call.id}`, placeholder: "53.7012, -1.2930", "data-keep": `spot ${call.id}`, value: drafts.get(call.id) ?? "", oninput: () => drafts.set(call.id, spot.value) });
  const keep = make(
    "button",
    {
      type: "button",
      "data-keep": `pin ${call.id}`,
      onclick: () => {
        const place = position(spot.value);
        spot.setCustomValidity(place ? "" : "Latitude and longitude, as in 53.7012, -1.2930");
        if (!place) return spot.reportValidity();
        settle(place);
      },
    },
    "It is there",
  );
  return make(
    "div",
    { class: "acts" },
    candidates(call.candidates, settle),
    make("label", { for: spot.id }, "Position"),
    spot,
    keep,
  );
}

// Small pictures, and the day drawn as a key.

import { draw } from "./draw.js";

const PATHS = {
  sign: "M11 21V3M8 21h6M4 4.500h12l3.500 2.750L16 10H4ZM20 12H9l-3 2.250L9 16.500h11Z",
  ring: "M7 3.5 4.3 5c-.9.5-1.3 1.5-1.1 2.6 1.2 6.6 6.6 12 13.2 13.2 1.1.2 2.1-.2 2.6-1.100l1.5-2.7-4.7-2.9-2 1.900c-2.1-1-3.9-2.8-4.9-4.900l1.9-2Z",
  tick: "M4.5 12.5 10 18 19.5 6.5",
  alert: "M12 4 2.8 20h18.400ZM12 10v4.500M12 17.400v.2",
  more: "M4 12a1.5 1.5 0 1 0 3 0 1.5 1.5 0 1 0-3 0M10.5 12a1.5 1.5 0 1 0 3 0 1.5 1.5 0 1 0-3 0M17 12a1.5 1.5 0 1 0 3 0 1.5 1.5 0 1 0-3 0",
  clock: "M12 21a9 9 0 1 0 0-18 9 9 0 0 0 0 18ZM12 7v5l3.5 2",
  cloud: "M4 4l16 16M9.5 6.200A6 6 0 0 1 17.6 10 4.5 4.5 0 0 1 20 17.600M16 18.500H7A4.5 4.5 0 0 1 6 9.6",
  send: "M12 19V5M6 11l6-6 6 6",
  cup: "M5 8h11v6a5 5 0 0 1-5 5h-1a5 5 0 0 1-5-5ZM16 9.500h2a2.5 2.5 0 0 1 0 5h-2M8.5 5V3M12.5 5V3",
  crate: "M3.5 8 12 3.5 20.5 8v8L12 20.5 3.5 16ZM3.5 8l8.5 4.500L20.5 8M12 12.500v8",
  home: "M4 11.5 12 4.500l8 7M6.5 10v9.500h11V10",
  eye: "M2.5 12S6 5.5 12 5.5 21.5 12 21.5 12 18 18.5 12 18.5 2.5 12 2.5 12ZM12 15a3 3 0 1 0 0-6 3 3 0 0 0 0 6Z",
};

export const icon = (name) =>
  draw(
    "svg",
    { viewBox: "0 0 24 24", class: "icon", "aria-hidden": "true", focusable: "false" },
    draw("path", { d: PATHS[name] }),
  );

// The day as a key: each stop is one land of the blade, and the cut in it as deep as the
// stop is long. What is behind is filled; the stop that is now is brass. The words beside
// it say the same.
export function keyOfDay(stops, now) {
  const [left, top, base, tip] = [44, 8, 32, 320];
  const width = (tip - left - 14) / Math.max(stops.length, 1);
  const longest_ms = Math.max(1, ...stops.map(lengthOf_ms));
  const cuts = stops.map((stop, i) => {
    const depth = 3 + 11 * Math.sqrt(lengthOf_ms(stop) / longest_ms);
    return { stop, x: left + 4 + i * width, y: base - depth, slope: Math.min(width * 0.3, depth * 0.8) };
  });
  let edge = `M${left - 4} ${top}H${tip - 9}L${tip} ${(top + base) / 2 - 2}L${tip - 9} ${base}`;
  for (const { x, y, slope } of [...cuts].reverse()) {
    edge += `H${x + width - 2}L${x + width - 2 - slope} ${y}H${x + 2 + slope}L${x + 2} ${base}`;
  }
  edge += `H${left - 4}Z`;
  return draw(
    "svg",
    { viewBox: "0 0 322 40", class: "key-of-day", "aria-hidden": "true", focusable: "false" },
    draw("clipPath", { id: "blade" }, draw("path", { d: edge })),
    draw("path", { d: edge, class: "blade" }),
    draw(
      "g",
      { "clip-path": "url(#blade)" },
      cuts.map(({ stop, x }) =>
        draw("rect", { x, y: top, width: width - 1, height: base - top, class: `cut ${stop === now ? "is-now" : `is-${stop.state}`}` }),
      ),
    ),
    draw("path", { d: edge, class: "outline" }),
    draw("path", { d: "M22 2.500a17.5 17.5 0 1 0 0 35 17.5 17.5 0 0 0 0-35ZM22 11.500a8.5 8.5 0 1 1 0 17 8.5 8.5 0 0 1 0-17Z", class: "bow", "fill-rule": "evenodd" }),
    draw("path", { d: "M38 11h9v18h-9Z", class: "bow" }),
    draw("circle", { cx: 22, cy: 20, r: 3.2, class: "dot" }),
  );
}

const lengthOf_ms = (stop) => Date.parse(stop.finish_at) - Date.parse(stop.start_at);

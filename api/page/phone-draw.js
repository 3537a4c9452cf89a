// Elements, small pictures, and the day drawn as a key.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(
    ...children.flat(Infinity).filter((each) => each !== null && each !== undefined && each !== false),
  );
  return element;
}

export const make = (tag, props, ...children) =>
  fill(document.createElement(tag), props, children);
const draw = (tag, props, ...children) =>
  fill(document.createElementNS(SVG, tag), props, children);

const PATHS = {
  map: "M12 21.5C7.5 16.5 5 12.9 5 9.6a7 7 0 0 1 14 0c0 3.300-2.500 6.900-7 11.900ZM12 12a2.600 2.600 0 1 0 0-5.200 2.600 2.600 0 0 0 0 5.200Z",
  ring: "M7 3.500 4.300 5c-.9.5-1.300 1.500-1.100 2.600 1.200 6.600 6.600 12 13.200 13.200 1.100.2 2.100-.2 2.600-1.100l1.500-2.700-4.700-2.900-2 1.900c-2.100-1-3.900-2.800-4.900-4.900l1.900-2Z",
  tick: "M4.500 12.500 10 18 19.500 6.500",
  alert: "M12 4 2.800 20h18.400ZM12 10v4.500M12 17.400v.2",
  more: "M5 12h.1M12 12h.1M19 12h.1",
  clock: "M12 21a9 9 0 1 0 0-18 9 9 0 0 0 0 18ZM12 7v5l3.500 2",
  cloud: "M4 4l16 16M9.500 6.200A6 6 0 0 1 17.600 10 4.500 4.500 0 0 1 20 17.600M16 18.500H7A4.500 4.500 0 0 1 6 9.600",
  send: "M12 19V5M6 11l6-6 6 6",
  cup: "M5 8h11v6a5 5 0 0 1-5 5h-1a5 5 0 0 1-5-5ZM16 9.500h2a2.500 2.500 0 0 1 0 5h-2M8.500 5V3M12.500 5V3",
  crate: "M3.500 8 12 3.500 20.500 8v8L12 20.500 3.500 16ZM3.500 8l8.500 4.500L20.500 8M12 12.500v8",
  home: "M4 11.500 12 4.500l8 7M6.500 10v9.500h11V10",
  eye: "M2.500 12S6 5.500 12 5.500 21.500 12 21.500 12 18 18.500 12 18.500 2.500 12 2.500 12ZM12 15a3 3 0 1 0 0-6 3 3 0 0 0 0 6Z",
};

export const icon = (name) =>
  draw(
    "svg",
    { viewBox: "0 0 24 24", class: "icon", "aria-hidden": "true", focusable: "false" },
    draw("path", { d: PATHS[name] }),
  );

// The day as a key: each stop is one cut of the blade, as deep as the stop is long.
// What is behind is filled; the stop that is now is brass. The words beside it say the
// same.
export function keyOfDay(stops, now) {
  const [left, top, base, tip] = [44, 9, 31, 320];
  const width = (tip - left - 14) / Math.max(stops.length, 1);
  const longest = Math.max(1, ...stops.map(lengthOf_ms));
  let edge = `M${left} ${top}H${tip - 8}L${tip} ${(top + base) / 2 - 1}`;
  const cuts = stops.map((stop, i) => {
    const x = left + 6 + i * width;
    const depth = 4 + 9 * Math.sqrt(lengthOf_ms(stop) / longest);
    const slope = Math.min(width * 0.28, depth * 0.9);
    return { stop, x, y: base - depth, slope };
  });
  edge += `L${tip - 8} ${base}`;
  for (const { x, y, slope } of [...cuts].reverse()) {
    edge += `H${x + width - 1}L${x + width - 1 - slope} ${y}H${x + slope}L${x} ${base}`;
  }
  edge += `H${left}Z`;
  return draw(
    "svg",
    { viewBox: "0 0 322 40", class: "key-of-day", "aria-hidden": "true", focusable: "false" },
    draw("path", { d: edge, class: "blade" }),
    cuts.map(({ stop, x, y }) =>
      draw("rect", {
        x: x + 1,
        y: top + 2.5,
        width: width - 3,
        height: Math.max(2, y - top - 5),
        rx: 1.5,
        class: `cut ${stop === now ? "is-now" : `is-${stop.state}`}`,
      }),
    ),
    draw("path", { d: "M22 2.500a17.500 17.500 0 1 0 0 35 17.500 17.500 0 0 0 0-35ZM15 13.500a6.500 6.500 0 1 1 0 13 6.500 6.500 0 0 1 0-13Z", class: "bow", "fill-rule": "evenodd" }),
    draw("path", { d: "M38 12h6v18h-6Z", class: "bow" }),
  );
}

const lengthOf_ms = (stop) => Date.parse(stop.finish_at) - Date.parse(stop.start_at);

// The round seen from above, on its roads where they are known and else as straight
// lines, on plain coordinates; north is up. The same look as the picture of the day sheet (dispatch/report/picture.py).

import { draw } from "./draw.js";

const [WIDTH, HEIGHT, MARGIN, FOOT, DISC] = [420, 320, 34, 26, 11];
const APART = 2 * DISC + 3;
const EARTH_M = 6_371_008.8; // mean radius (IUGG)
const RAD = Math.PI / 180;

// Fits places into the box, true to scale (equirectangular around their middle).
export function frame(places) {
  const lon = places[0]?.lon_deg ?? 0;
  const lats = places.map((place) => place.lat_deg);
  const squeeze = places.length
    ? Math.cos(((Math.min(...lats) + Math.max(...lats)) / 2) * RAD)
    : 1;
  const metres = (place) => [
    // Around the first place, so that the date line is a line like any other.
    (((((place.lon_deg - lon + 180) % 360) + 360) % 360) - 180) * squeeze * RAD * EARTH_M,
    -place.lat_deg * RAD * EARTH_M,
  ];
  const points = places.length ? places.map(metres) : [[0, 0]];
  const [xs, ys] = [points.map(([x]) => x), points.map(([, y]) => y)];
  const middle = [
    (Math.min(...xs) + Math.max(...xs)) / 2,
    (Math.min(...ys) + Math.max(...ys)) / 2,
  ];
  const wide = Math.max(Math.max(...xs) - Math.min(...xs), 500);
  const high = Math.max(Math.max(...ys) - Math.min(...ys), 500);
  const scale = Math.min((WIDTH - 2 * MARGIN) / wide, (HEIGHT - 2 * MARGIN - FOOT) / high);
  return {
    put(place) {
      const [x, y] = metres(place);
      return [WIDTH / 2 + (x - middle[0]) * scale, (HEIGHT - FOOT) / 2 + (y - middle[1]) * scale];
    },
    // The place under a point of the box.
    place([x, y]) {
      const east = (x - WIDTH / 2) / scale + middle[0];
      const south = (y - (HEIGHT - FOOT) / 2) / scale + middle[1];
      return {
        lat_deg: Math.round((-south / (RAD * EARTH_M)) * 1e5) / 1e5,
        lon_deg: Math.round((lon + east / (squeeze * RAD * EARTH_M)) * 1e5) / 1e5,
      };
    },
    units: (length_m) => length_m * scale,
    metres: (units) => units / scale,
  };
}

const gap = ([x, y], [otherX, otherY]) => Math.hypot(x - otherX, y - otherY);

// Push discs apart until none covers another, as far as the box has room.
function spread(points, fixed) {
  const placed = points.map((point) => [...point]);
  const edge = DISC + 2;
  for (let turn = 0; turn < 300; turn += 1) {
    let calm = true;
    placed.forEach((_, i) => {
      [...placed, ...fixed].forEach((other, j) => {
        const between = gap(placed[i], other);
        if (i === j || between >= APART) return;
        calm = false;
        // Discs on one spot part in directions of their own.
        const angle =
          between > 0.01
            ? Math.atan2(placed[i][1] - other[1], placed[i][0] - other[0])
            : 2.4 * i;
        const step = (APART - between) / 2 + 0.1;
        placed[i] = [
          Math.min(Math.max(placed[i][0] + step * Math.cos(angle), edge), WIDTH - edge),
          Math.min(Math.max(placed[i][1] + step * Math.sin(angle), edge), HEIGHT - FOOT - edge),
        ];
      });
    });
    if (calm) break;
  }
  return placed;
}

// The point so far along a line, and which way the line goes there.
function along(line, length) {
  let left = length;
  for (let i = 1; i < line.length; i += 1) {
    const [one, other] = [line[i - 1], line[i]];
    const step = gap(one, other);
    if (step > 0 && left <= step) {
      const way = [(other[0] - one[0]) / step, (other[1] - one[1]) / step];
      return [[one[0] + left * way[0], one[1] + left * way[1]], way];
    }
    left -= step;
  }
  return [line.at(-1), [1, 0]];
}

const whole = ([x, y]) => `${Math.round(10 * x) / 10} ${Math.round(10 * y) / 10}`;

function leg(here, there, bends, back) {
  const line = [here, ...bends, there];
  const length = line.slice(1).reduce((sum, point, i) => sum + gap(line[i], point), 0);
  if (length <= 1) return null;
  // Past the middle: the arrows of a way out and back do not meet.
  const [tip, [ax, ay]] = along(line, 0.58 * length);
  return [
    draw("path", { d: `M${line.map(whole).join("L")}`, class: back ? "leg back" : "leg" }),
    length > 4 * DISC &&
      draw("path", {
        class: "arrow",
        d: `M${tip}L${[tip[0] - 8 * ax - 4 * ay, tip[1] - 8 * ay + 4 * ax]}L${[tip[0] - 8 * ax + 4 * ay, tip[1] - 8 * ay - 4 * ax]}Z`,
      }),
  ];
}

// The longest of 1, 2 or 5 times a power of ten that fits.
function round(length) {
  const power = 10 ** Math.floor(Math.log10(length));
  return Math.max(...[1, 2, 5].filter((step) => step * power <= length)) * power;
}

function home([x, y], words, others) {
  const long = 6.2 * words.length;
  const choices = [
    [x + 14, y + 4, "start", x + 14],
    [x - 14, y + 4, "end", x - 14 - long],
    [x, y + 25, "middle", x - long / 2],
    [x, y - 17, "middle", x - long / 2],
  ].map(([wx, wy, anchor, left]) => {
    const outside = left < 2 || left + long > WIDTH - 2 || wy < 10 || wy > HEIGHT - FOOT + 6;
    const covered = others.filter(
      ([ox, oy]) => ox > left - 12 && ox < left + long + 12 && Math.abs(oy - (wy - 4)) < DISC + 4,
    ).length;
    return { cost: (outside ? 1000 : 0) + covered, wx, wy, anchor };
  });
  const best = choices.reduce((one, other) => (other.cost < one.cost ? other : one));
  return [
    draw("circle", { cx: x, cy: y, r: 10, class: "home" }),
    draw("circle", { cx: x, cy: y - 2.5, r: 3, class: "hole" }),
    draw("path", { d: `M${x - 1.2} ${y - 2}h2.4l1.4 8.2h-5.2Z`, class: "hole" }),
    draw("text", { x: best.wx, y: best.wy, "text-anchor": best.anchor, class: "words" }, words),
  ];
}

const outside = ([x, y]) => x < 8 || x > WIDTH - 8 || y < 8 || y > HEIGHT - FOOT;

// One van's round; the stops of the others are dots. `cross` is a place that is being
// picked, `pick(place)` is called when a point of the picture is.
export function picture(day, vanId, { chosen, cross = null, pick = null, choose }) {
  const van = day.rows.find((row) => row.id === vanId);
  const places = day.rows.flatMap((row) => [row.start, ...row.stops.map((stop) => stop.where), row.end]);
  const mine = [...(van?.stops ?? []).map((stop) => stop.way ?? []), van?.home ?? []];
  const roads = mine.some((bends) => bends.length > 0);
  const known = [...places.filter(Boolean), ...mine.flat()];
  let box = frame(known);
  if (cross && outside(box.put(cross))) box = frame([...known, cross]);
  const path = [
    { place: van?.start, bends: [] },
    ...(van?.stops ?? []).map((stop) => ({ place: stop.where, bends: stop.way ?? [] })),
    { place: van?.end, bends: van?.home ?? [] },
  ]
    .filter(({ place }) => place)
    .map(({ place, bends }) => ({ at: box.put(place), bends: bends.map(box.put) }));
  const marked = (van?.stops ?? []).filter((stop) => stop.mark && stop.where);
  const same = van?.start && van.end && van.start.lat_deg === van.end.lat_deg && van.start.lon_deg === van.end.lon_deg;
  const ends = same
    ? [[box.put(van.start), "start and finish"]]
    : [
        [van?.start, "start"],
        [van?.end, "finish"],
      ]
        .filter(([place]) => place)
        .map(([place, words]) => [box.put(place), words]);
  const points = marked.map((stop) => box.put(stop.where));
  const discs = spread(points, ends.map(([point]) => point));
  const unit = day.plan?.day.distance === "mi" ? 1609.344 : 1000;
  const bar = round(box.metres(WIDTH / 3) / unit);
  const words = bar < 1 && unit === 1000 ? `${1000 * bar} m` : `${bar} ${unit === 1000 ? "km" : "mi"}`;
  const svg = draw(
    "svg",
    {
      viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
      class: pick ? "round picking" : "round",
      role: "img",
      "aria-label": `The round of van ${vanId} seen from above, joined ${roads ? "along the roads" : "by straight lines"}; the table of the day says the same in words`,
    },
    day.rows
      .filter((row) => row.id !== vanId)
      .flatMap((row) => row.stops)
      .filter((stop) => stop.where && stop.mark)
      .map((stop) => {
        const [x, y] = box.put(stop.where);
        return draw("circle", { cx: x, cy: y, r: 3.5, class: "other" }, draw("title", {}, `${stop.van}: ${stop.where.name}`));
      }),
    path
      .slice(1)
      .map((there, i) => leg(path[i].at, there.at, there.bends, i === path.length - 2 && van?.end))
      .filter(Boolean),
    ends.map(([point, name]) => home(point, name, discs)),
    marked.map((stop, i) => {
      const [x, y] = discs[i];
      const moved = gap(discs[i], points[i]) > 1;
      const behind = ["done", "no_show", "cancelled"].includes(stop.state);
      const style = `disc${stop.key === chosen ? " chosen" : ""}${behind ? " behind" : ""}`;
      return [
        moved && draw("path", { d: `M${points[i]}L${discs[i]}`, class: "thread" }),
        moved && draw("circle", { cx: points[i][0], cy: points[i][1], r: 2.5, class: "home" }),
        draw(
          "g",
          { class: style, onclick: () => choose?.(stop.key) },
          draw("title", {}, `${stop.mark}: ${stop.where.name}`),
          stop.kind === "restock"
            ? draw("rect", { x: x - 10, y: y - 10, width: 20, height: 20, rx: 2 })
            : draw("circle", { cx: x, cy: y, r: DISC }),
          draw("text", { x, y: y + 4.4, "text-anchor": "middle" }, stop.mark),
        ),
      ];
    }),
    cross &&
      (() => {
        const [x, y] = box.put(cross);
        return draw("path", { d: `M${x - 14} ${y}h10m8 0h10M${x} ${y - 14}v10m0 8v10M${x - 4} ${y}a4 4 0 1 0 8 0a4 4 0 1 0-8 0`, class: "cross" });
      })(),
    roads && draw("text", { x: 14, y: 14, class: "small" }, `Roads: ${day.plan.day.roads}`),
    draw("path", { d: `M14 ${HEIGHT - 12}v-5v5h${box.units(bar * unit)}v-5`, class: "scale" }),
    draw("text", { x: 20 + box.units(bar * unit), y: HEIGHT - 10, class: "small" }, words),
    draw("path", { d: `M${WIDTH - 16} ${HEIGHT - 10}v-15m-4 5l4 -6l4 6`, class: "scale" }),
    draw("text", { x: WIDTH - 26, y: HEIGHT - 10, "text-anchor": "end", class: "small" }, roads ? "on the roads, north is up" : "straight lines, north is up"),
  );
  if (pick) {
    svg.addEventListener("click", (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      pick(box.place([at.x, at.y]));
    });
  }
  return svg;
}

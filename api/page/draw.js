// Elements of the pages, of HTML and of SVG.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "place") Object.entries(value).forEach(([key, at]) => element.style.setProperty(key, at));
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(
    ...children.flat(Infinity).filter((each) => each !== null && each !== undefined && each !== false),
  );
  return element;
}

export const make = (tag, props, ...children) =>
  fill(document.createElement(tag), props, children);
export const draw = (tag, props, ...children) =>
  fill(document.createElementNS(SVG, tag), props, children);

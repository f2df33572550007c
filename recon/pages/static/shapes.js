"use strict";
/* Drawings of lines and areas that screen readers, printers and dark screens can all read. */
const Shapes = (() => {
  const SPACE = "http://www.w3.org/2000/svg";
  const WIDEST = 1000; // px of a picture on a screen
  const PRINTED = 690; // px of a picture on paper, so that its text keeps its size

  function shape(tag, attributes, ...inside) {
    const element = document.createElementNS(SPACE, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...inside);
    return element;
  }

  function text(words, x, y, attributes = {}) {
    return shape("text", { x, y, ...attributes }, words);
  }

  function line(x1, y1, x2, y2, kind) {
    return shape("line", { x1, y1, x2, y2, class: kind });
  }

  /* The sign of a set-up: an open disc or a filled square, told apart without colour. */
  function dot(side, x, y, size = 5) {
    return side === 0 ? shape("circle", { cx: x, cy: y, r: size, class: "dot0" })
      : shape("rect", { x: x - size + 0.5, y: y - size + 0.5, width: 2 * size - 1, height: 2 * size - 1, class: "dot1" });
  }

  /* Slanting lines, for areas that a grey print must tell from plain ones. */
  function hatch() {
    return shape("defs", {}, shape("pattern",
      { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
      line(0, 0, 0, 7, "hatch")));
  }

  /* Points as a path; a gap (null) begins a new piece. */
  function path(points) {
    let gap = true;
    return points.map((point) => {
      if (!point) {
        gap = true;
        return "";
      }
      const start = gap ? "M" : "L";
      gap = false;
      return `${start}${point[0].toFixed(1)} ${point[1].toFixed(1)}`;
    }).join("");
  }

  /* The pieces between two lines, without the gaps of either. */
  function between(low, high) {
    const pieces = [];
    let piece = [];
    low.forEach((point, n) => {
      if (point && high[n]) piece.push(n);
      else if (piece.length) pieces.push(piece.splice(0));
    });
    if (piece.length) pieces.push(piece);
    return pieces.map((own) => `${path([...own.map((n) => low[n]), ...own.map((n) => high[n]).reverse()])}Z`).join("");
  }

  /* An axis from `low` to `high` over pixels `from` to `to`. */
  function scale(low, high, from, to) {
    return (value) => from + ((value - low) / (high - low)) * (to - from);
  }

  /* Ends of an axis that holds all values, with some room. */
  function ends(values, room = 0.08) {
    const known = values.filter(Number.isFinite);
    const [low, high] = [Math.min(...known), Math.max(...known)];
    const more = (high - low || Math.abs(high) || 1) * room;
    return [low - more, high + more];
  }

  /* A picture with a name for screen readers; drawn again when its place changes its width. */
  function picture(host, name, draw) {
    let before = 0;
    const at = (wide) => {
      if (wide === before || wide === 0) return;
      before = wide;
      const { tall, inside } = draw(wide);
      const drawn = shape("svg", { width: wide, height: tall, viewBox: `0 0 ${wide} ${tall}`, role: "group", "aria-label": name },
        ...inside);
      host.querySelector("svg")?.remove();
      host.prepend(drawn);
    };
    const again = () => at(Math.min(host.clientWidth, WIDEST));
    again();
    for (const what of ["resize", "afterprint"]) window.addEventListener(what, again);
    window.addEventListener("beforeprint", () => at(PRINTED));
  }

  /* A small sign with its meaning, as an entry of a list. */
  function key(words, ...inside) {
    const item = Words.made("li");
    item.append(shape("svg", { width: 34, height: 16, viewBox: "0 0 34 16", "aria-hidden": "true" }, ...inside), words);
    return item;
  }

  return { shape, text, line, dot, hatch, path, between, scale, ends, picture, key };
})();

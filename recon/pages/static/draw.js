"use strict";
/* Canvas at the screen's own resolution, axes, colours, and the look of each corner. */
const Draw = (() => {
  const style = getComputedStyle(document.documentElement);
  const DASHES = { FL: [], FR: [6, 2], RL: [], RR: [2, 2] }; // right-hand tyres, for those who see no colour
  const WORDS = { FL: "front left", FR: "front right", RL: "rear left", RR: "rear right" };
  const AXES = { x: "longitudinal Fx", y: "lateral Fy", z: "vertical Fz" };
  /* States of a tyre, the worse ones later.  `on` of `of` pixels are filled, which tells them apart in grey. */
  const LANES = [
    { words: "measured", colour: "pale", high: 4, on: 1, of: 1 }, { words: "at a bound", colour: "middle", high: 10, on: 1, of: 3 },
    { words: "beyond the pulls", colour: "ink", high: 10, on: 4, of: 6 }, { words: "doubted", colour: "accent", high: 10, on: 1, of: 1 },
    { words: "not known", colour: "ink", high: 2, on: 1, of: 1 },
  ];

  /* A colour of the style sheet, by its name there or by a corner's, as the page is light, dark or on paper. */
  function colour(name) {
    return style.getPropertyValue(`--${name}`);
  }

  /* Size a canvas to its place on the page; returns the context in CSS pixels, cleared. */
  function sheet(canvas, wide, tall) {
    const ratio = window.devicePixelRatio || 1;
    const width = Math.round(wide * ratio);
    const height = Math.round(tall * ratio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
      canvas.style.height = `${tall}px`;
    }
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, wide, tall);
    context.font = "12px system-ui, sans-serif";
    return context;
  }

  /* Round numbers between two ends, about `wanted` of them. */
  function ticks(low, high, wanted) {
    const rough = (high - low) / wanted || 1;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((size) => size >= rough) || rough;
    const out = [];
    for (let value = Math.ceil(low / step) * step; value <= high + 1e-9 * step; value += step) {
      out.push(Math.abs(value) < step * 1e-6 ? 0 : value);
    }
    return out;
  }

  function number(value) {
    if (!Number.isFinite(value)) return "not known";
    const size = Math.abs(value);
    return value.toFixed(size >= 100 ? 0 : size >= 1 ? 1 : 2).replace("-", "\u2212");
  }

  /* Newtons are whole: no force is known to a tenth. */
  function whole(value) {
    return Number.isFinite(value) ? value.toFixed(0).replace("-", "\u2212") : "not known";
  }

  /* A number as short as it is. */
  function plain(value, digits = 5) {
    return String(+value.toPrecision(digits)).replace("-", "\u2212");
  }

  function unitText(value, unit) {
    return Number.isFinite(value) && unit ? `${number(value)} ${unit}` : number(value);
  }

  return { DASHES, WORDS, AXES, LANES, colour, sheet, ticks, number, whole, plain, unitText };
})();

"use strict";
/* Runs of each set-up as bands from the lowest to the highest run, never as lines over each other. */
const Spread = (() => {
  const { shape, text, line } = Shapes;
  const TALL = 300;
  const [LEFT, TOP, BOTTOM] = [62, 26, TALL - 46];

  function scales(one, wide) {
    const [low, high] = Shapes.ends(one.bands.flat(2).filter((value) => value !== null), 0.05);
    const last = one.places[one.places.length - 1];
    return { low, high, x: Shapes.scale(one.places[0], last, LEFT, wide - 14), y: Shapes.scale(low, high, BOTTOM, TOP) };
  }

  function draw(one, sample, wide, cursor) {
    const { low, high, x, y } = scales(one, wide);
    const inside = [Shapes.hatch(), text(`${sample.name}${sample.unit ? ` [${sample.unit}]` : ""}`, 4, 14, { class: "strong" })];
    for (const value of Draw.ticks(low, high, 5)) {
      inside.push(line(LEFT, y(value), wide - 14, y(value), "grid"),
        text(Draw.plain(value), LEFT - 6, y(value) + 4, { "text-anchor": "end", class: "note" }));
    }
    for (const value of Draw.ticks(one.places[0], one.places[one.places.length - 1], wide < 450 ? 5 : 8)) {
      inside.push(line(x(value), BOTTOM, x(value), BOTTOM + 4, "axis"),
        text(Draw.plain(value), x(value), BOTTOM + 18, { "text-anchor": "middle", class: "note" }));
    }
    inside.push(text(one.axis, wide / 2, BOTTOM + 38, { "text-anchor": "middle", class: "note" }));
    one.bands.forEach((limits, side) => {
      const [least, middle, most] = limits.map((row) =>
        row.map((value, n) => (value === null ? null : [x(one.places[n]), y(value)])));
      inside.push(shape("path", { d: Shapes.between(least, most), class: `fill${side}` }),
        shape("path", { d: Shapes.path(middle), class: `middle${side}` }));
    });
    cursor.setAttribute("class", "place");
    inside.push(cursor);
    return { tall: TALL, inside };
  }

  function reading(one, data, n) {
    const unit = data.sample.unit ? ` ${data.sample.unit}` : "";
    const words = data.set_ups.map((name, side) => {
      const [low, middle, high] = one.bands[side].map((row) => row[n]);
      return middle === null ? `${name}: not known`
        : `${name} ${Draw.plain(middle, 4)}${unit} (runs from ${Draw.plain(low, 4)} to ${Draw.plain(high, 4)})`;
    });
    return `At ${Draw.plain(one.places[n], 3)} ${one.unit}: ${words.join("; ")}`;
  }

  function figure(one, data) {
    const host = Words.made("figure", undefined, "band drawn");
    const name = Words.made("h3", one.name);
    const range = Words.made("input");
    const output = Words.made("output");
    Object.assign(range, { type: "range", min: 0, max: one.places.length - 1, value: one.places.length >> 1 });
    range.setAttribute("aria-label", `Place in ${one.name}`);
    const drawing = Words.made("div");
    host.append(name, drawing, range, output, Words.made("figcaption", one.finding));
    document.getElementById("spread-list").append(host);
    const cursor = line(0, TOP, 0, BOTTOM, "place");
    const move = () => {
      const drawn = drawing.querySelector("svg");
      const at = scales(one, drawn.width.baseVal.value).x(one.places[range.value]);
      cursor.setAttribute("x1", at);
      cursor.setAttribute("x2", at);
      output.textContent = reading(one, data, range.value);
    };
    Shapes.picture(drawing, `${data.sample.name} in ${one.name}. ${one.finding}`, (wide) => {
      requestAnimationFrame(move);
      return draw(one, data.sample, wide, cursor);
    });
    range.addEventListener("input", move);
    drawing.addEventListener("pointermove", (event) => {
      const drawn = drawing.querySelector("svg");
      const left = event.clientX - drawn.getBoundingClientRect().left;
      const { x } = scales(one, drawn.width.baseVal.value);
      const places = one.places.map((place) => Math.abs(x(place) - left));
      range.value = places.indexOf(Math.min(...places));
      move();
    });
  }

  function start(data) {
    const words = document.getElementById("spread-words");
    if (!data.spread.length) {
      words.textContent = "Nothing is drawn: the declared metric is no quantity of single samples, or the runs went through different sections.";
      return;
    }
    words.textContent = "From the lowest to the highest run of each set-up, with the median run; at 3 Hz. " +
      (data.claimed ? "Where the bands lie apart, every run agrees."
        : "The set-ups are not comparable: whatever is seen here may have another cause.");
    const host = document.getElementById("spread-keys");
    data.set_ups.forEach((name, side) => host.append(Shapes.key(name, ...(side ? [Shapes.hatch()] : []),
      shape("rect", { x: 2, y: 1, width: 30, height: 14, class: `fill${side}` }), line(2, 8, 32, 8, `middle${side}`))));
    data.spread.forEach((one) => figure(one, data));
  }

  return { start };
})();

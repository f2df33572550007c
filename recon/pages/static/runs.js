"use strict";
/* A dot for every run by block, and beside them the effect with its interval on the same axis. */
const Runs = (() => {
  const { shape, text, line, dot } = Shapes;
  const TALL = 330;
  const TOP = 34;
  const BOTTOM = TALL - 44;
  const CROWDED = 13; // px from dot to dot, below which numbers show only where they are pointed at
  const FAN = 0.3; // of a block, for the dots of one set-up
  const APART = 0.17; // of a block, to either side

  function spoken(run, data) {
    return `Run ${run.number}, ${run.set_up}${run.block ? `, block ${run.block}` : ""}: ${run.words}. To its row.`;
  }

  function linked(run, side, x, y, data) {
    const link = shape("a", { href: `#run-${run.number}`, id: `dot-${run.number}`, "aria-label": spoken(run, data) },
      shape("circle", { cx: x, cy: y, r: 13, class: "ring" }), dot(side, x, y),
      text(run.number, x, y + (side === 0 ? 20 : -11), { "text-anchor": "middle" }));
    link.append(shape("title", {}, spoken(run, data)));
    return link;
  }

  function axis(low, high, y, left, right, unit) {
    const out = [];
    for (const value of Draw.ticks(low, high, 5)) {
      out.push(line(left, y(value), right, y(value), "grid"),
        text(Draw.plain(value), left - 6, y(value) + 4, { "text-anchor": "end", class: "note" }));
    }
    return out;
  }

  function dots(data, x, y) {
    const blocks = [...new Set(data.runs.map((run) => run.block))];
    const narrow = x(1) - x(0) < 60;
    const out = narrow ? [text("block", x(-0.5) - 6, BOTTOM + 18, { "text-anchor": "end", class: "note" })] : [];
    blocks.forEach((block, place) => {
      const means = data.set_ups.map((name, side) => {
        const mine = data.runs.filter((run) => run.block === block && run.set_up === name);
        const at = x(place + (2 * side - 1) * APART);
        mine.forEach((run, n) => {
          const fan = Math.min(22, FAN * (x(1) - x(0)) / mine.length) * (n - (mine.length - 1) / 2);
          out.push(linked(run, side, at + fan, y(run.value), data));
        });
        return [at, mine.reduce((sum, run) => sum + run.value, 0) / mine.length];
      });
      if (means.every(([, mean]) => Number.isFinite(mean))) {
        out.unshift(line(means[0][0], y(means[0][1]), means[1][0], y(means[1][1]), "tie"));
      }
      const words = !block ? "all runs" : narrow ? block : `block ${block}`;
      out.push(text(words, x(place), BOTTOM + 18, { "text-anchor": "middle", class: "note" }));
    });
    return out;
  }

  /* The effect, drawn upwards from the mean of the first set-up. */
  function effect(metric, y, left, right, low, high) {
    const { first } = metric;
    const middle = (left + right) / 2;
    const at = (value) => y(first + value);
    const per = metric.relative ? Math.abs(first) / 100 : 1;
    const least = metric.at_resolvable;
    const clipped = (value) => Math.min(Math.max(at(value), TOP), BOTTOM);
    const out = [shape("rect", { x: left, width: right - left, y: clipped(least),
      height: Math.max(clipped(-least) - clipped(least), 0), class: "least" })];
    for (const value of Draw.ticks((low - first) / per, (high - first) / per, 5)) {
      out.push(text(`${value > 0 ? "+" : ""}${Draw.plain(value)}${metric.relative ? " %" : ""}`, right + 6, at(value * per) + 4, { class: "note" }));
    }
    out.push(line(left, at(0), right, at(0), "zero"));
    if (metric.at_margin) {
      for (const sign of [-1, 1]) {
        const where = at(sign * metric.at_margin);
        if (where > TOP && where < BOTTOM) out.push(line(left, where, right, where, "margin"));
      }
    }
    out.push(line(middle, at(metric.at_effect_lower), middle, at(metric.at_effect_upper), "effect"));
    const tip = at(metric.at_effect);
    out.push(shape("path", { class: "effect", d: `M${middle} ${tip - 7}L${middle + 7} ${tip}L${middle} ${tip + 7}L${middle - 7} ${tip}Z` }));
    out.push(text("effect", middle, BOTTOM + 18, { "text-anchor": "middle", class: "note" }));
    return out;
  }

  function draw(data, wide) {
    const [metric] = data.metrics;
    const left = 62;
    const band = data.claimed ? Math.min(150, wide * 0.24) : 0;
    const right = data.claimed ? wide - 62 : wide - 8;
    const edge = right - band - (data.claimed ? 14 : 0);
    const own = data.claimed ? ["at_effect_lower", "at_effect_upper"].map((end) => metric.first + metric[end]) : [];
    const [low, high] = Shapes.ends([...data.runs.map((run) => run.value), ...own,
      ...(data.claimed ? [metric.first] : [])], 0.13);
    const y = Shapes.scale(low, high, BOTTOM, TOP);
    const count = new Set(data.runs.map((run) => run.block)).size;
    const x = Shapes.scale(-0.5, count - 0.5, left, edge);
    const name = `${metric.name}${metric.unit ? ` [${metric.unit}]` : ""}`;
    const inside = [...axis(low, high, y, left, edge, metric.unit), text(name, 4, 14, { class: "strong" })];
    if (data.claimed) {
      inside.push(text("difference", wide - 4, 14, { "text-anchor": "end", class: "strong" }),
        ...effect(metric, y, right - band, right, low, high));
    }
    const apart = FAN * (x(1) - x(0)) * count / (data.runs.length / 2);
    inside.push(shape("g", { class: apart < CROWDED ? "crowded" : "" }, ...dots(data, x, y)));
    return { tall: TALL, inside };
  }

  function keys(data) {
    const host = document.getElementById("runs-keys");
    data.set_ups.forEach((name, side) => host.append(Shapes.key(`${name}, a run with its number`, dot(side, 17, 8))));
    host.append(Shapes.key("means of a block", line(2, 12, 32, 4, "tie")));
    if (!data.claimed) return;
    host.append(Shapes.key("effect with its 95 % interval", line(2, 8, 32, 8, "effect"),
      shape("path", { d: "M17 2L23 8L17 14L11 8Z", class: "effect" })));
    host.append(Shapes.key(`too small for such runs to resolve (${data.metrics[0].resolvable})`,
      shape("rect", { x: 2, y: 2, width: 30, height: 12, class: "least" })));
    if (data.metrics[0].at_margin) {
      host.append(Shapes.key(`stated margin (${data.metrics[0].margin_words})`, line(2, 8, 32, 8, "margin")));
    }
  }

  function start(data) {
    const [metric] = data.metrics;
    document.getElementById("runs-words").textContent = `${metric.words[0].toUpperCase()}${metric.words.slice(1)}. ` +
      (data.claimed ? `The effect is drawn from the mean of ${data.set_ups[0]} on.` : "No effect is claimed.");
    keys(data);
    Shapes.picture(document.getElementById("runs-picture"),
      `${metric.name} of every run by block. ${data.sentences[0]}`, (wide) => draw(data, wide));
  }

  return { start };
})();

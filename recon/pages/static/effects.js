"use strict";
/* Effects on all metrics: bars in percent over what such runs can resolve, and the table. */
const Effects = (() => {
  const { shape, text, line } = Shapes;
  const ROW = 46;
  const LINE = 17; // more for a row whose words take two lines
  const BAR = 14;
  const NARROW = 400;

  /* The words of a row, in one line or two. */
  function words(metric, y, narrow, kind) {
    const finding = `${metric.effect}, ${metric.verdict}`;
    if (!narrow) return [text(`${metric.name}: ${finding}`, 4, y, { class: kind })];
    return [text(metric.name, 4, y - LINE, { class: kind }), text(finding, 4, y, { class: kind })];
  }

  function bar(metric, row, x, narrow) {
    const decides = row === 0;
    const y = 20 + row * (ROW + narrow * LINE) + narrow * LINE;
    const per = 100 / Math.abs(metric.first);
    const at = (name) => x(per * metric[`at_${name}`]);
    const middle = y + 14 + BAR / 2;
    const least = per * metric.at_resolvable;
    const out = [...words(metric, y + 8, narrow, decides ? "strong" : ""), shape("rect", { x: x(-least), y: y + 14, width: x(least) - x(-least), height: BAR, class: "least" }),
      line(at("effect_lower"), middle, at("effect_upper"), middle, "effect"),
      shape("circle", { cx: at("effect"), cy: middle, r: decides ? 6 : 4, class: "effect" })];
    if (metric.at_margin) {
      for (const sign of [-1, 1]) {
        const where = x(sign * per * metric.at_margin);
        out.push(line(where, y + 14, where, y + 14 + BAR, "margin"));
      }
    }
    return out;
  }

  function draw(drawn, wide) {
    const per = (metric) => 100 / Math.abs(metric.first);
    const [low, high] = Shapes.ends([0, ...drawn.flatMap((m) =>
      [m.at_effect_lower, m.at_effect_upper, m.at_resolvable, -m.at_resolvable].map((value) => value * per(m)))]);
    const x = Shapes.scale(low, high, 16, wide - 16);
    const narrow = Number(wide < NARROW);
    const bottom = 22 + drawn.length * (ROW + narrow * LINE);
    const inside = [];
    for (const value of Draw.ticks(low, high, wide < 500 ? 4 : 8)) {
      inside.push(line(x(value), 6, x(value), bottom, value === 0 ? "zero" : "grid"),
        text(`${value > 0 ? "+" : ""}${Draw.plain(value)} %`, x(value), bottom + 18, { "text-anchor": "middle", class: "note" }));
    }
    drawn.forEach((metric, row) => inside.push(...bar(metric, row, x, narrow)));
    return { tall: bottom + 26, inside };
  }

  function start(data) {
    const drawn = data.metrics.filter((metric) => metric.relative && metric.at_effect !== null);
    const host = document.getElementById("effects-picture");
    host.hidden = !drawn.length;
    if (drawn.length) {
      const words = drawn.map((metric) => `${metric.name} ${metric.effect}, ${metric.verdict}`).join("; ");
      Shapes.picture(host, `Effects in percent of ${data.set_ups[0]}: ${words}`, (wide) => draw(drawn, wide));
      host.append(Words.made("figcaption", `${data.set_ups[1]} against ${data.set_ups[0]}, in percent. Line: 95 % interval. ` +
        `Pale bar: too small for such runs to resolve.${drawn.some((one) => one.at_margin) ? " Dotted: stated margin." : ""}`));
    }
    const columns = ["metric", ...data.set_ups, "effect", "verdict", "by chance, alone", "by chance, of all (Holm)",
      "such runs resolve", "one run scatters by"];
    const cells = data.metrics.map((metric) => {
      const name = Words.made("span", metric.name);
      name.append(Words.made("small", metric.words));
      return [name, ...metric.means, metric.effect, metric.verdict, ...metric.chance, metric.resolvable, metric.scatter];
    });
    const filled = columns.map((_, n) => n).filter((n) => cells.some((row) => row[n] !== ""));
    const only = (row) => filled.map((n) => row[n]);
    Words.table(document.getElementById("effects-table"), only(columns), cells.map(only), [4]);
  }

  return { start };
})();

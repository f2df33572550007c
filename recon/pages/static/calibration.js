"use strict";
/* The calibration: verdicts, limits, and, where its file was given, map, checks and pulls. */
const Calibration = (() => {
  const { made, framed } = Words;
  const SVG = "http://www.w3.org/2000/svg";
  const own = State.data.calibration;

  function list(sentences) {
    const host = made("ul");
    sentences.forEach((sentence) => host.append(made("li", sentence)));
    return host;
  }

  function verdicts(host) {
    host.append(made("p", own.age));
    for (const one of own.verdicts) {
      host.append(made("p", `${one.words}.`, one.state === "good" ? "" : "doubted"));
      if (one.doubts.length) host.append(list(one.doubts));
    }
    host.append(made("h3", "When it is not valid"), list(own.not_valid));
  }

  function signed(value, places) {
    const text = value.toFixed(places).replace("-", "\u2212");
    return value > 0 ? `+${text}` : text;
  }

  /* Shade of a cell: the larger the cross-talk, the darker, and never too dark to read. */
  function shade(percent) {
    return `shade-${Math.min(Math.ceil(Math.abs(percent) / 2), 6)}`;
  }

  function slope(map, g) {
    const head = made("span", map.gauges[g].replaceAll("_", " "));
    const half = map.half[g][map.main[g]].toFixed(1);
    const predicted = map.predicted[g] ? `, predicted ${map.predicted[g]}` : "";
    head.append(made("small", `${map.slopes[g]} \u00b1 ${half} %${predicted}`.replaceAll("-", "\u2212")));
    return head;
  }

  function cells(map, g) {
    return map.members.map((_, m) => {
      if (m === map.main[g]) return made("td", "main", "main");
      const cell = made("td", signed(map.percent[g][m], 1), shade(map.percent[g][m]));
      cell.append(made("small", `\u00b1\u00a0${map.half[g][m].toFixed(1)}`));
      return cell;
    });
  }

  function mapOf(one) {
    const rows = one.map.gauges.map((_, g) => [slope(one.map, g), ...cells(one.map, g)]);
    const heads = ["gauge and its main slope", ...one.map.members.map((member) => member.replaceAll("_", " "))];
    return framed(`Cross-talk map of ${one.name}: indication of each gauge per newton in every link, in % of its main slope, ` +
      "with 95 % interval. Stronger shade = more cross-talk", heads, rows, "map");
  }

  /* Errors of all steps of a pull on the interval claimed for them: band, zero, one mark each. */
  function strip(ratios) {
    const [wide, tall, most] = [76, 16, 2];
    const x = (value) => wide / 2 + (Math.max(Math.min(value, most), -most) * wide) / 2 / most * 0.94;
    const picture = document.createElementNS(SVG, "svg");
    const part = (name, attributes) => {
      const element = document.createElementNS(SVG, name);
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
      picture.append(element);
    };
    for (const [key, value] of Object.entries({ viewBox: `0 0 ${wide} ${tall}`, width: wide, height: tall })) {
      picture.setAttribute(key, value);
    }
    picture.setAttribute("aria-hidden", "true");
    part("rect", { x: x(-1), y: 2, width: x(1) - x(-1), height: tall - 4, class: "band" });
    part("line", { x1: x(0), x2: x(0), y1: 0, y2: tall, class: "zero" });
    for (const ratio of ratios) {
      if (Math.abs(ratio) <= 1) part("circle", { cx: x(ratio), cy: tall / 2, r: 2.5, class: "inside" });
      else part("rect", { x: x(ratio) - 3.5, y: tall / 2 - 3.5, width: 7, height: 7, class: "outside" });
    }
    return picture;
  }

  function checksOf(one) {
    if (!one.checks.length) {
      return made("p", `${one.name} was not verified: no pull was held out, so nothing but the fit itself speaks for it.`);
    }
    const inside = one.checks.reduce((sum, check) => sum + check.inside, 0);
    const count = one.checks.reduce((sum, check) => sum + check.count, 0);
    const rows = one.checks.map((check) => [
      check.name, `${check.peak} N`,
      ...check.ratios.map((ratios, i) => {
        const cell = made("td");
        cell.append(strip(ratios), made("small", `${signed(check.error[i], 0)} of \u00b1\u00a0${check.half[i]} N`));
        return cell;
      }),
      `${check.inside} of ${check.count}`]);
    return framed(`Verification of ${one.name}: ${inside} of ${count} errors of pulls held out of the fit lie inside their 95 % interval. ` +
      "Grey band = interval, dots = load steps, square = outside; number = worst step",
    ["pull held out", "up to", "error of Fx", "error of Fy", "error of Fz", "inside"], rows, "checks");
  }

  function pullsOf(one) {
    const details = made("details");
    const at = one.temperature === null ? "" : ` at ${one.temperature.toFixed(0)} \u00b0C`;
    details.append(made("summary", `The ${one.pulls.length} pulls behind the map of ${one.name}${at}`));
    details.append(framed(`Pulls of ${one.name}: the last column is the largest change of a main slope if this pull were left out`,
      ["pull", "up to", "influence"],
      one.pulls.map((pull) => [pull.name, `${pull.peak} N`, `${pull.influence.toFixed(1)} %`]), ""));
    details.append(made("p", `Direction that the pulls cover least: ${one.weakest}.`));
    return details;
  }

  function assembly(one) {
    const article = made("article", undefined, "assembly");
    article.id = `calibration-${one.name}`;
    article.append(made("h3", `${one.name} (${Draw.WORDS[one.name] || `${one.name} axle`})`), mapOf(one), checksOf(one));
    const gross = one.gross.length ? list(one.gross)
      : made("p", "Mistyped loads: none found; no load of a pull contradicts the others by more than 5 standard uncertainties.");
    if (one.gross.length) article.append(made("p", "Loads that look mistyped:"));
    article.append(gross, pullsOf(one));
    return article;
  }

  function draw() {
    const host = document.getElementById("calibration-body");
    verdicts(host);
    const pair = made("div", undefined, "assemblies");
    own.assemblies.forEach((one) => pair.append(assembly(one)));
    host.append(pair);
    if (!own.assemblies.length) {
      host.append(made("p", "Map, pulls and verification are in the calibration's own file, which was not given when " +
        "this page was made (recon page forces.nc --calibration calibration.nc).", "note"));
    }
  }

  return { draw };
})();

"use strict";
/* Values at the cursor with their intervals, and the largest ones in the window, as tables. */
const Reading = (() => {
  const { made } = Words;
  const table = document.getElementById("reading");
  const peaks = document.getElementById("peaks");
  const chosen = document.getElementById("chosen");
  const SETTLED = 120; // ms without a change of the window, before its largest values are looked for
  let waiting = 0;

  function words(force, at) {
    const value = force.value(at);
    if (!Number.isFinite(value)) return "not known";
    const [lower, upper] = force.limits(at);
    const [up, down] = [upper - value, value - lower];
    if (Math.abs(up - down) <= force.step) return `${Draw.whole(value)} \u00b1 ${Draw.whole((up + down) / 2)} N`;
    return `${Draw.whole(value)} (${Draw.whole(lower)} to ${Draw.whole(upper)}) N`;
  }

  function button(text, label, act) {
    const one = made("button", text, "value");
    one.type = "button";
    one.setAttribute("aria-label", label);
    one.addEventListener("click", act);
    return one;
  }

  function cell(one, axis, at) {
    const text = words(one.forces[axis], at);
    const name = `${one.name}.${Axles.AXES[axis]}`;
    const act = button(text, `F${Axles.AXES[axis]} of ${one.words}: ${text}, choose`, () => State.choose({ force: name }));
    act.setAttribute("aria-pressed", String(State.force === name));
    return act;
  }

  function draw() {
    const loaded = Strips.current();
    const at = State.cursor;
    if (!Strips.has(at, at + 1)) return;
    document.getElementById("reading-name").textContent = `At ${State.time[at].toFixed(3)} s` +
      `${State.pinned ? " (cursor pinned, Escape frees it)" : ""}, with 95 % intervals`;
    const field = document.getElementById("time-at");
    if (document.activeElement !== field) field.value = State.time[at].toFixed(3);
    const rows = Axles.rows(loaded).map((one) => [one.words, ...Axles.AXES.map((_, n) => cell(one, n, at)),
      one.corner ? Draw.LANES[loaded.lanes[loaded.corners.indexOf(one.corner)][at]].words : ""]);
    if (loaded.channel) {
      const { channel } = loaded;
      rows.push([channel.name, "", "", "", Draw.unitText(channel.value[Math.floor(at / channel.every)], channel.unit)]);
    }
    for (const sum of loaded.sums) {
      const half = Draw.whole(sum.half[at]);
      rows.push([sum.name, "", "", "", Number.isFinite(sum.value[at]) ? `${Draw.whole(sum.value[at])} \u00b1 ${half} N` : "not known"]);
    }
    const held = table.contains(document.activeElement) ? document.activeElement.getAttribute("aria-label") : "";
    Words.table(table, ["tyre", "Fx", "Fy", "Fz", "state or value"], rows);
    if (held) refocus(held.split(":")[0]);
    follow(loaded, at);
  }

  /* Keep the focus on the same force when the table is made anew. */
  function refocus(start) {
    const same = [...table.querySelectorAll("button")].find((one) => one.getAttribute("aria-label").startsWith(`${start}:`));
    if (same) same.focus({ preventScroll: true });
  }

  /* The force that was chosen, with the ways to its causes and its origin. */
  function follow(loaded, at) {
    const [name, axis] = State.force.split(".");
    const one = Axles.rows(loaded).find((each) => each.name === name);
    const value = one ? words(one.forces[Axles.AXES.indexOf(axis)], at) : "not shown";
    chosen.textContent = `F${axis} of ${one ? one.words : name}: ${value}.`;
  }

  function extremes(force) {
    let [low, high] = [-1, -1];
    let [least, most] = [Infinity, -Infinity];
    for (let i = State.first; i <= State.last; i += 1) {
      const value = force.value(i);
      if (value < least) [low, least] = [i, value];
      if (value > most) [high, most] = [i, value];
    }
    return high < 0 ? [] : [high, low];
  }

  function jump(one, axis, at) {
    const text = words(one.forces[axis], at);
    const time = `${State.time[at].toFixed(2)}\u00a0s`;
    const host = made("span", undefined, "peak");
    host.append(button(`${text}, ${time}`, `F${Axles.AXES[axis]} of ${one.words}: ${text} at ${time}, move the cursor there`, () => {
      State.choose({ force: `${one.name}.${Axles.AXES[axis]}` });
      State.move(at);
    }));
    return host;
  }

  function largest() {
    const loaded = Strips.current();
    if (!Strips.has(State.first, State.last + 1)) return;
    Words.table(peaks, ["largest and smallest", "Fx", "Fy", "Fz"], Axles.rows(loaded).map((one) => [one.words,
      ...Axles.AXES.map((_, n) => {
        const host = document.createElement("span");
        const found = extremes(one.forces[n]);
        host.append(...found.map((at) => jump(one, n, at)));
        if (!found.length) host.append("not known");
        return host;
      })]));
    const { first, last, time } = State;
    document.getElementById("peaks-name").textContent =
      `Largest and smallest from ${time[first].toFixed(2)} to ${time[last].toFixed(2)} s, the window shown. These are single samples ` +
      `at ${+State.data.bandwidth.toPrecision(3)} Hz: with noise and bumps they are a little larger than the largest forces at the top.`;
  }

  function later() {
    clearTimeout(waiting);
    waiting = setTimeout(largest, SETTLED);
  }

  for (const what of ["cursor", "loaded"]) State.on(what, draw);
  for (const what of ["window", "loaded"]) State.on(what, later);
  return { draw, largest };
})();

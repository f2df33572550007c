"use strict";
/* Both tyres of an axle together; shared errors add, independent ones add as squares. */
const Axles = (() => {
  const AXES = ["x", "y", "z"];

  /* Axles of which both tyres are among the corners that are loaded. */
  function shown(loaded) {
    return State.data.axles.filter((one) => one.corners.every((corner) => loaded.corners.includes(corner)));
  }

  function correlation(axle, axis, time) {
    const { times, correlations } = axle;
    const own = correlations[AXES.indexOf(axis)];
    let after = times.findIndex((one) => one >= time);
    if (after < 0) after = times.length - 1;
    const before = Math.max(after - 1, 0);
    const wide = times[after] - times[before];
    return wide > 0 ? own[before] + ((own[after] - own[before]) * (time - times[before])) / wide : own[after];
  }

  function together(a, b, shared) {
    return Math.sqrt(Math.max(a * a + b * b + 2 * shared * a * b, 0));
  }

  /* Sum of both tyres as a force with limits, worked out sample by sample. */
  function force(axle, axis, loaded) {
    const [left, right] = axle.corners.map((corner) => loaded.rows[loaded.corners.indexOf(corner)][AXES.indexOf(axis)]);
    const value = (at) => left.value[at] + right.value[at];
    return {
      value,
      limits(at) {
        const shared = correlation(axle, axis, State.time[at]);
        const [down, up] = ["lower", "upper"].map((end) =>
          together(left[end][at] - left.value[at], right[end][at] - right.value[at], shared));
        return [value(at) - down, value(at) + up];
      },
      step: left.step + right.step,
    };
  }

  /* A tyre's force in the same shape. */
  function tyre(one) {
    return { value: (at) => one.value[at], limits: (at) => [one.lower[at], one.upper[at]], step: one.step };
  }

  /* Every row that a table of forces has: tyres, then axles. */
  function rows(loaded) {
    const tyres = loaded.corners.map((corner, k) => ({ name: corner, words: `${corner} (${Draw.WORDS[corner]})`,
      corner, forces: loaded.rows[k].map(tyre) }));
    const axles = shown(loaded).map((axle) => ({ name: axle.name, words: `${axle.name} axle (${axle.corners.join(" + ")})`,
      corner: "", forces: AXES.map((axis) => force(axle, axis, loaded)) }));
    return [...tyres, ...axles];
  }

  return { AXES, rows };
})();

"use strict";
/* Causes of the interval at the cursor, largest first, each with its cure. */
const Why = (() => {
  const { why, corners, axles } = State.data;
  const select = document.getElementById("why-force");
  const list = document.getElementById("why-list");
  for (const name of [...corners, ...axles.map((one) => one.name)]) {
    for (const axis of ["x", "y", "z"]) {
      const option = document.createElement("option");
      option.value = `${name}.${axis}`;
      option.textContent = corners.includes(name) ? `${name} F${axis}` : `${name} axle F${axis}`;
      select.append(option);
    }
  }
  select.addEventListener("change", () => State.choose({ force: select.value }));

  function nearest(time) {
    let best = 0;
    why.times.forEach((one, n) => {
      if (Math.abs(one - time) < Math.abs(why.times[best] - time)) best = n;
    });
    return best;
  }

  function item(cause, newtons, most) {
    const line = document.createElement("li");
    const bar = document.createElement("span");
    bar.className = "bar";
    bar.style.width = `${(100 * newtons) / most}%`;
    const name = document.createElement("b");
    name.textContent = `${newtons.toFixed(1)} N: ${cause.words}. `;
    const more = document.createElement("span");
    if (cause.cure) more.textContent = `It is the uncertainty of the ${cause.of}. What helps: ${cause.cure}.`;
    line.append(bar, name, more);
    return line;
  }

  /* An axle has no causes of its own: those of its tyres, of which it names the ways. */
  function ofAxle(axle, axis) {
    document.getElementById("why-words").textContent =
      `The ${axle.name} axle adds F${axis} of ${axle.corners.join(" and ")}. Errors that both tyres share add up; the others partly cancel.`;
    const buttons = axle.corners.map((corner) => {
      const line = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = `Causes of F${axis} of ${corner}`;
      button.addEventListener("click", () => State.choose({ force: `${corner}.${axis}` }));
      line.append(button);
      return line;
    });
    list.replaceChildren(...both(axle, axis), ...buttons);
  }

  /* Largest first; what has no name of its own comes last. */
  function ordered(found) {
    return found.filter((one) => one.most > 0).sort((a, b) => !a.cause.cure - !b.cause.cure || b.most - a.most);
  }

  const largest = (kept) => Math.max(...kept.map((one) => one.most));

  /* Causes of both tyres of an axle side by side, by their larger newtons. */
  function both(axle, axis) {
    const node = nearest(State.time[State.cursor]);
    const own = axle.corners.map((corner) => why.forces[`${corner}.${axis}`] || {});
    const places = [...new Set(own.flatMap((one) => Object.keys(one)))];
    const found = places.map((place) => ({ place, newtons: own.map((one) => (one[place] ? one[place][node] : 0)) }));
    const kept = ordered(found.map((one) => ({ ...one, cause: why.causes[one.place], most: Math.max(...one.newtons) })));
    return kept.map(({ place, newtons, most }) => {
      const line = item(why.causes[place], most, largest(kept));
      const words = axle.corners.map((corner, n) => newtons[n] > 0 ? `${corner} ${newtons[n].toFixed(1)} N`
        : `${corner} less than those listed for it`).join(", ");
      line.querySelector("b").textContent = `${words}: ${why.causes[place].words}. `;
      return line;
    });
  }

  function draw() {
    select.value = State.force;
    const [name, way] = State.force.split(".");
    const axle = axles.find((one) => one.name === name);
    if (axle) {
      ofAxle(axle, way);
      return;
    }
    const node = nearest(State.time[State.cursor]);
    const own = Object.entries(why.forces[State.force] || {})
      .map(([place, values]) => ({ cause: why.causes[place], most: values[node] }));
    const kept = ordered(own);
    const words = document.getElementById("why-words");
    const [corner, axis] = State.force.split(".");
    words.textContent = kept.length
      ? `Causes of the uncertainty of F${axis} at ${corner}, worked out at ${why.times[node].toFixed(2)} s, largest first, as standard ` +
        "uncertainties. To get the \u00b1 of the interval: add their squares, take the root, and double it (1.96)."
      : `F${axis} of ${corner} is not known near ${why.times[node].toFixed(2)} s.`;
    list.replaceChildren(...kept.map((one) => item(one.cause, one.most, largest(kept))));
  }

  State.on("cursor", draw);
  State.on("choice", draw);
  return { draw };
})();

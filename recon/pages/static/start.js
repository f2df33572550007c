"use strict";
/* Choices of corners and channel, then the first picture. */
(async () => {
  const { data } = State;
  Story.draw();
  await State.start();

  const host = document.getElementById("choices");
  for (const corner of data.corners) {
    const label = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.value = corner;
    box.checked = State.corners.includes(corner);
    box.addEventListener("change", () => {
      const chosen = [...host.querySelectorAll("input:checked")].map((one) => one.value);
      if (chosen.length) State.choose({ corners: chosen });
      else box.checked = true;
    });
    label.append(box, ` ${corner} (${Draw.WORDS[corner]})`);
    host.append(label);
  }
  document.getElementById("lane-keys").append(...Draw.LANES.map((lane) => {
    const item = document.createElement("li");
    const sign = document.createElement("span");
    const filled = `var(--${lane.colour}) 0 ${lane.on}px, transparent ${lane.on}px ${lane.of}px`;
    Object.assign(sign.style, { background: `repeating-linear-gradient(to right, ${filled})`, height: `${lane.high}px` });
    item.append(sign, lane.words);
    return item;
  }));
  const channels = State.heads("channel");
  if (channels.length) {
    const label = document.createElement("label");
    const select = document.createElement("select");
    for (const name of ["", ...channels.map((one) => one.name)]) {
      const option = document.createElement("option");
      option.value = name;
      option.textContent = name || "none";
      select.append(option);
    }
    State.channel = channels.some((one) => one.name === "speed") ? "speed" : channels[0].name;
    select.value = State.channel;
    select.addEventListener("change", () => State.choose({ channel: select.value }));
    label.append("Channel ", select);
    host.append(label);
  }

  let waiting = false;
  const both = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      Plane.draw();
      Car.draw();
    });
  };
  for (const what of ["window", "cursor", "loaded"]) State.on(what, both);
  window.addEventListener("resize", both);
  const drawn = () => [Strips, Plane, Car].forEach((view) => view.draw());
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawn);
  /* On paper pictures are drawn anew as wide as the sheet, not squeezed; lists that were closed open. */
  const closed = [];
  const printed = (on) => {
    document.documentElement.classList.toggle("printing", on);
    if (on) closed.push(...document.querySelectorAll("#lifts:not([open]), #section-fold:not([open])"));
    for (const one of closed) one.open = on;
    if (!on) closed.length = 0;
    drawn();
  };
  window.addEventListener("beforeprint", () => printed(true));
  window.addEventListener("afterprint", () => printed(false));
  State.cursor = Math.floor(State.time.length / 2);
  await Strips.load();
  Why.draw();
  document.documentElement.dataset.ready = "true";
})();

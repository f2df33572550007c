"use strict";
/* Mouse, touch and keys: everything that a pointer does, a key does too. */
const Keys = (() => {
  const { host, toSample } = Strips;
  const pointers = new Map();
  let grip = null;
  let playing = 0;

  function zoom(factor, around = State.cursor) {
    const { first, last } = State;
    const inside = around >= first && around <= last ? around : (first + last) / 2;
    State.show(inside - (inside - first) * factor, inside + (last - inside) * factor);
  }

  function pan(share) {
    const step = share * (State.last - State.first);
    State.show(State.first + step, State.last + step);
  }

  function whole() {
    State.show(0, State.time.length - 1);
  }

  function step(count) {
    State.move(State.cursor + count);
    if (State.cursor < State.first || State.cursor > State.last) {
      const half = (State.last - State.first) / 2;
      State.show(State.cursor - half, State.cursor + half);
    }
  }

  function section(way) {
    const now = State.time[State.cursor];
    const main = State.data.sections.filter((one) => !one.inner);
    const middle = (one) => (one.start + one.end) / 2;
    const found = way > 0 ? main.find((one) => middle(one) > now + 1e-3)
      : main.findLast((one) => middle(one) < now - 1e-3);
    if (found) Story.go(found.start, found.end);
  }

  function play() {
    const button = document.getElementById("play");
    if (playing) {
      cancelAnimationFrame(playing);
      playing = 0;
    } else {
      let before = performance.now();
      let time = State.time[State.cursor];
      const tick = (now) => {
        time += (now - before) / 1000;
        before = now;
        step(State.place(time) - State.cursor);
        playing = State.cursor < State.time.length - 1 ? requestAnimationFrame(tick) : 0;
        if (!playing) button.setAttribute("aria-pressed", "false");
      };
      playing = requestAnimationFrame(tick);
    }
    button.setAttribute("aria-pressed", String(Boolean(playing)));
  }

  function force(axis) {
    State.choose({ force: `${State.force.split(".")[0]}.${axis}` });
  }

  function corner(n) {
    const name = State.data.corners[n];
    if (name) State.choose({ force: `${name}.${State.force.split(".")[1]}` });
  }

  function to(part) {
    Words.show(document.getElementById(part));
  }

  function help() {
    const dialog = document.getElementById("help");
    if (!dialog.open) dialog.showModal();
  }

  const KEYS = {
    ArrowLeft: ["cursor one sample back, with Shift a twentieth of the window", (e) => step(e.shiftKey ? -wide() : -1)],
    ArrowRight: ["cursor one sample on, with Shift a twentieth of the window", (e) => step(e.shiftKey ? wide() : 1)],
    "+": ["zoom in around the cursor", () => zoom(0.5)],
    "-": ["zoom out", () => zoom(2)],
    0: ["whole drive", whole],
    PageUp: ["window half a width back", () => pan(-0.5)],
    PageDown: ["window half a width on", () => pan(0.5)],
    ",": ["section before", () => section(-1)],
    ".": ["section after", () => section(1)],
    Home: ["cursor to the start", () => step(-State.cursor)],
    End: ["cursor to the end", () => step(State.time.length)],
    p: ["play at true speed, or stop", play],
    x: ["causes of Fx", () => force("x")],
    y: ["causes of Fy", () => force("y")],
    z: ["causes of Fz", () => force("z")],
    w: ["why the chosen force is so wide", () => to("why")],
    o: ["where the chosen force comes from, back to the pulls", () => to("origin")],
    1: ["causes at the first tyre, 2 to 4 at the others", () => corner(0)],
    2: [null, () => corner(1)],
    3: [null, () => corner(2)],
    4: [null, () => corner(3)],
    Escape: ["let the cursor follow the pointer again", () => State.free()],
    "?": ["this list", help],
  };

  function wide() {
    return Math.max(Math.round((State.last - State.first) / 20), 1);
  }

  function pressed(event) {
    if (document.getElementById("help").open) return; // it has keys of its own
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const typing = /^(SELECT|INPUT)$/.test(event.target.tagName);
    const elsewhere = event.target !== host && /^(Arrow|Page|Home|End)/.test(event.key);
    if (typing || elsewhere || !(event.key in KEYS)) return;
    KEYS[event.key][1](event);
    event.preventDefault();
  }

  function where(event) {
    return event.clientX - host.getBoundingClientRect().left;
  }

  function moved(event) {
    if (pointers.has(event.pointerId)) pointers.set(event.pointerId, where(event));
    if (pointers.size === 2) {
      const [a, b] = [...pointers.values()];
      if (grip && Math.abs(a - b) > 10) zoom(grip.apart / Math.abs(a - b), toSample((a + b) / 2));
      grip = { apart: Math.abs(a - b), x: a };
    } else if (pointers.size === 1 && grip) {
      const shift = toSample(grip.x) - toSample(where(event));
      if (shift) State.show(State.first + shift, State.last + shift);
      grip = { ...grip, x: where(event) };
    } else {
      State.hover(toSample(where(event)));
    }
  }

  function up(event) {
    pointers.delete(event.pointerId);
    grip = null;
  }

  host.addEventListener("pointerdown", (event) => {
    pointers.set(event.pointerId, where(event));
    State.move(toSample(where(event)));
    grip = { apart: 0, x: where(event) };
    if (event.pointerType === "mouse") host.setPointerCapture(event.pointerId);
  });
  host.addEventListener("pointermove", moved);
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) host.addEventListener(name, up);
  host.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && Math.abs(event.deltaX) < Math.abs(event.deltaY) && !event.shiftKey) return;
    event.preventDefault();
    if (event.ctrlKey) zoom(1.002 ** event.deltaY, toSample(where(event)));
    else pan((event.deltaX || event.deltaY) / 1000);
  }, { passive: false });
  document.addEventListener("keydown", pressed);
  const field = document.getElementById("time-at");
  field.addEventListener("change", () => {
    if (field.value !== "") step(State.place(Number(field.value)) - State.cursor);
  });
  const BUTTONS = { whole, closer: () => zoom(0.5), wider: () => zoom(2), earlier: () => pan(-0.5),
    later: () => pan(0.5), play, "help-open": help };
  for (const [id, act] of Object.entries(BUTTONS)) document.getElementById(id).addEventListener("click", act);

  const list = document.getElementById("help-list");
  const names = { ArrowLeft: "\u2190", ArrowRight: "\u2192", PageUp: "Page up", PageDown: "Page down" };
  const order = Object.entries(KEYS).filter(([, [words]]) => words);
  for (const [key, [words]] of order) {
    const name = document.createElement("dt");
    const does = document.createElement("dd");
    name.textContent = names[key] || key;
    does.textContent = words;
    list.append(name, does);
  }
  return { zoom, pan, play };
})();

"use strict";
/* What the page shows: the data, the window of time, the cursor, and who wants to know. */
const State = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const listeners = { window: [], cursor: [], choice: [], loaded: [] };
  const forces = new Map();
  const channels = new Map();
  const lanes = new Map();
  const state = { data, time: null, first: 0, last: 0, cursor: 0, pinned: false, corners: [], channel: "", force: "" };

  function heads(kind, name) {
    return data.series.filter((one) => one.kind === kind && (name === undefined || one.name === name));
  }

  /* A force with its limits, made when it is first asked for; of a long drive without its samples. */
  async function force(name) {
    if (!forces.has(name)) {
      const parts = ["force", "half", "skew"].map((kind) => heads(kind, name)[0]);
      forces.set(name, Force.made(name, parts, heads("outline", name)[0]));
    }
    return forces.get(name);
  }

  async function channel(name) {
    if (!channels.has(name)) {
      const head = heads("channel", name)[0];
      channels.set(name, Decode.values(head).then((value) => ({
        name, value, unit: head.unit, every: head.every || 1, levels: Decode.levels(value) })));
    }
    return channels.get(name);
  }

  /* A sum of forces that is known although none of them is, with its half-width. */
  async function sum(name) {
    const [value, half] = await Promise.all(["sum", "sum half"].map((kind) => Decode.values(heads(kind, name)[0])));
    return { name, value, half };
  }

  async function lane(corner) {
    if (!lanes.has(corner)) lanes.set(corner, Decode.states(heads("lane", corner)[0]));
    return lanes.get(corner);
  }

  /* Sample nearest to a time. */
  function place(time) {
    const all = state.time;
    let low = 0;
    let high = all.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (all[middle] < time) low = middle + 1;
      else high = middle;
    }
    return low > 0 && time - all[low - 1] < all[low] - time ? low - 1 : low;
  }

  function tell(what) {
    for (const listener of listeners[what]) listener();
  }

  function show(first, last) {
    const end = state.time.length - 1;
    const least = Math.min(20, end);
    let wide = Math.min(Math.max(Math.round(last - first), least), end);
    const start = Math.min(Math.max(Math.round(first), 0), end - wide);
    wide = Math.min(wide, end - start);
    state.first = start;
    state.last = start + wide;
    tell("window");
  }

  function put(cursor, pinned) {
    const next = Math.min(Math.max(Math.round(cursor), 0), state.time.length - 1);
    if (next === state.cursor && pinned === state.pinned) return;
    Object.assign(state, { cursor: next, pinned });
    tell("cursor");
  }

  function move(cursor) {
    put(cursor, true);
  }

  /* A pointer that only passes moves the cursor as long as nobody has put it somewhere. */
  function hover(cursor) {
    if (!state.pinned) put(cursor, false);
  }

  function free() {
    put(state.cursor, false);
  }

  function choose(changes) {
    Object.assign(state, changes);
    tell("choice");
  }

  function on(what, listener) {
    listeners[what].push(listener);
  }

  async function start() {
    state.time = await Decode.values(heads("time")[0], Float64Array);
    state.last = state.time.length - 1;
    state.corners = data.corners.slice(0, state.time.length > 200000 ? 2 : 4);
    state.force = `${data.corners[0]}.y`;
  }

  return Object.assign(state, { heads, getForce: force, getChannel: channel, getLane: lane, getSum: sum, place, show, move, hover, free,
    choose, on, tell, start });
})();

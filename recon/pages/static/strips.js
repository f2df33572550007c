"use strict";
/* Forces over time: a strip for each axis, a lane for each corner, and one ordinary channel. */
const Strips = (() => {
  const LEFT = 64;
  const RIGHT = 36;
  const STRIP = 150;
  const LANE = 14;
  const CHANNEL = 90;
  const FOOT = 34;
  const host = document.getElementById("strips");
  const canvas = document.createElement("canvas");
  const over = document.createElement("canvas");
  over.className = "over";
  host.append(canvas, over);
  let loaded = null;
  let request = 0;

  async function load() {
    const mine = (request += 1);
    const named = State.corners.map((corner) => ["x", "y", "z"].map((axis) => State.getForce(`${corner}.${axis}`)));
    const rows = await Promise.all(named.map((row) => Promise.all(row)));
    const lanes = await Promise.all(State.corners.map((corner) => State.getLane(corner)));
    const channel = State.channel ? await State.getChannel(State.channel) : null;
    const sums = await Promise.all(State.heads("sum").map((one) => State.getSum(one.name)));
    if (mine !== request) return;
    loaded = { corners: State.corners.slice(), rows, lanes, channel, sums };
    draw();
    await need(State.cursor, State.cursor + 1);
    State.tell("loaded");
    fill(mine);
  }

  /* Whether samples from `first` to `last` (exclusive) of all forces shown are there; and once they are. */
  function has(first, last) {
    return Boolean(loaded) && loaded.rows.flat().every((force) => force.has(first, last));
  }

  function need(first, last) {
    return Promise.all(loaded.rows.flat().map((force) => force.need(first, last)));
  }

  /* Ask for the samples that the window and the cursor show, and draw again once they are there. */
  async function ask() {
    const { first, last, cursor: at } = State;
    const fine = last - first < 4 * Decode.OUTLINE * across();
    if ((!fine || has(first, last + 1)) && has(at, at + 1)) return;
    await Promise.all([need(at, at + 1), fine ? need(first, last + 1) : null]);
    if (first === State.first && last === State.last) draw();
    State.tell("loaded");
  }

  /* The rest of the samples, a piece at a time, so that the page answers in between. */
  async function fill(mine) {
    const { length } = State.time;
    const every = loaded.rows.flat();
    if (!every.length || has(0, length)) return;
    for (let first = 0; first < length; first += every[0].piece) {
      for (const force of every) {
        await force.need(first, Math.min(first + force.piece, length));
        await new Promise((done) => setTimeout(done, 0));
        if (mine !== request) return;
      }
    }
    State.tell("loaded");
  }

  function across() {
    return host.clientWidth - LEFT - RIGHT;
  }

  function toX(sample) {
    const { first, last, time } = State;
    return LEFT + (across() * (time[sample] - time[first])) / (time[last] - time[first]);
  }

  function toSample(x) {
    const { first, last, time } = State;
    return State.place(time[first] + ((x - LEFT) / across()) * (time[last] - time[first]));
  }

  function tall() {
    const lanes = loaded ? loaded.corners.length * LANE + 10 : 0;
    return 3 * STRIP + lanes + (loaded && loaded.channel ? CHANNEL : 0) + FOOT;
  }

  /* First sample of each pixel column, ends included. */
  function columns() {
    const wide = Math.max(Math.floor(across()), 1);
    const out = new Int32Array(wide + 1);
    const { first, last, time } = State;
    const span = time[last] - time[first];
    let at = first;
    for (let x = 0; x <= wide; x += 1) {
      const until = time[first] + (span * x) / wide;
      at = x === wide ? last + 1 : Math.max(at, State.place(until));
      out[x] = at;
    }
    return out;
  }

  function range(built, lows, highs) {
    let low = Infinity;
    let high = -Infinity;
    for (let n = 0; n < lows.length; n += 1) {
      const [a] = Decode.extremes(lows[n], State.first, State.last + 1);
      const [, b] = Decode.extremes(highs[n], State.first, State.last + 1);
      if (a < low) low = a;
      if (b > high) high = b;
    }
    if (!(high >= low)) return [-1, 1];
    const more = 0.06 * (high - low || 1);
    return [low - more, high + more];
  }

  function axis(context, top, height, [low, high], name, unit) {
    const bottom = top + height - 8;
    const toY = (value) => bottom - ((bottom - top - 18) * (value - low)) / (high - low);
    context.textAlign = "right";
    context.textBaseline = "middle";
    context.lineWidth = 1;
    for (const value of Draw.ticks(low, high, height > 100 ? 4 : 2)) {
      context.strokeStyle = value === 0 ? Draw.colour("middle") : Draw.colour("faint");
      context.beginPath();
      context.moveTo(LEFT, toY(value));
      context.lineTo(LEFT + across(), toY(value));
      context.stroke();
      context.fillStyle = Draw.colour("ink");
      context.fillText(String(+value.toPrecision(6)).replace("-", "\u2212"), LEFT - 6, toY(value));
    }
    context.textAlign = "left";
    context.textBaseline = "top";
    context.fillText(unit ? `${name} [${unit}]` : name, LEFT, top + 3); // brackets are taller than letters
    return toY;
  }

  /* Fill between two sets of extremes, pixel column by pixel column. */
  function band(context, starts, lows, highs, toY, colour) {
    context.fillStyle = colour;
    for (let x = 0; x + 1 < starts.length; x += 1) {
      const end = Math.max(starts[x + 1], starts[x] + 1);
      const [low] = Decode.extremes(lows, starts[x], end);
      const [, high] = Decode.extremes(highs, starts[x], end);
      if (high >= low) {
        const y = toY(high);
        context.fillRect(LEFT + x, y, 1, Math.max(toY(low) - y, 1));
      }
    }
  }

  /* A line through samples where there are few, else from extreme to extreme of each column. */
  function line(context, starts, series, toY, colour, every = 1, dashes = []) {
    context.strokeStyle = colour;
    context.setLineDash(dashes);
    context.lineWidth = 1.4;
    context.beginPath();
    let down = false;
    const { has: there } = series.levels;
    const few = State.last - State.first < 2 * starts.length && (!there || there(State.first, State.last + 1));
    const point = (x, value) => {
      if (value !== value || Math.abs(value) === Infinity) down = false;
      else if (down) context.lineTo(x, toY(value));
      else {
        context.moveTo(x, toY(value));
        down = true;
      }
    };
    if (few) {
      for (let i = State.first; i <= State.last; i += every) point(toX(i), series.value[Math.floor(i / every)]);
    } else {
      for (let x = 0; x + 1 < starts.length; x += 1) {
        const first = Math.floor(starts[x] / every);
        const [low, high] = Decode.extremes(series.levels, first, Math.max(Math.ceil(starts[x + 1] / every), first + 1));
        point(LEFT + x + 0.5, low);
        point(LEFT + x + 0.5, high);
      }
    }
    context.stroke();
    context.setLineDash([]);
  }

  function lane(context, starts, states, top, corner) {
    const seen = new Uint8Array(Draw.LANES.length);
    const colours = Draw.LANES.map((one) => Draw.colour(one.colour));
    let since = { worst: -1, x: 0 };
    for (let x = 0; x + 1 < starts.length; x += 1) {
      let worst = 0;
      const end = Math.max(starts[x + 1], starts[x] + 1);
      for (let i = starts[x]; i < end; i += 1) if (states[i] > worst) worst = states[i];
      seen[worst] = 1;
      if (worst !== since.worst) since = { worst, x };
      const { high, on, of } = Draw.LANES[worst];
      context.fillStyle = colours[worst];
      // The first pixel of a state is always drawn: it may be the only one.
      if ((x - since.x) % of < on) context.fillRect(LEFT + x, top + (LANE - high) / 2, 1, high);
    }
    context.fillStyle = Draw.colour("ink");
    context.textAlign = "right";
    context.textBaseline = "middle";
    context.fillText(corner, LEFT - 6, top + LANE / 2);
    return seen;
  }

  function labels(context, rows, toY, n) {
    context.textAlign = "left";
    context.textBaseline = "middle";
    const ends = loaded.corners.map((corner, k) => {
      const [low, high] = Decode.extremes(rows[k][n].levels, State.last, State.last + 1);
      return { corner, y: toY((low + high) / 2) };
    });
    ends.sort((a, b) => a.y - b.y);
    let last = -Infinity;
    for (const end of ends.filter((one) => Number.isFinite(one.y))) {
      last = Math.max(end.y, last + 13);
      context.fillStyle = Draw.colour(end.corner);
      context.fillText(end.corner, LEFT + across() + 4, last);
    }
  }

  function draw() {
    if (!loaded) return;
    const context = Draw.sheet(canvas, host.clientWidth, tall());
    const starts = columns();
    ["x", "y", "z"].forEach((name, n) => {
      const own = loaded.rows.map((row) => row[n]);
      const limits = range(null, own.map((f) => f.under), own.map((f) => f.over));
      const toY = axis(context, n * STRIP, STRIP, limits, Draw.AXES[name], "N");
      context.globalAlpha = 0.28;
      own.forEach((force, k) => band(context, starts, force.under, force.over, toY, Draw.colour(loaded.corners[k])));
      context.globalAlpha = 1;
      own.forEach((force, k) => line(context, starts, force, toY, Draw.colour(loaded.corners[k]), 1, Draw.DASHES[loaded.corners[k]]));
      labels(context, loaded.rows, toY, n);
    });
    const seen = new Uint8Array(Draw.LANES.length);
    loaded.lanes.forEach((states, k) => {
      lane(context, starts, states, 3 * STRIP + k * LANE, loaded.corners[k]).forEach((is, n) => { seen[n] |= is; });
    });
    let top = 3 * STRIP + loaded.lanes.length * LANE + 10;
    if (loaded.channel) {
      const { channel } = loaded;
      const ends = Decode.extremes(channel.levels, Math.floor(State.first / channel.every), Math.ceil(State.last / channel.every) + 1);
      const limits = ends[1] > ends[0] ? [ends[0], ends[1]] : [ends[0] - 1, ends[0] + 1];
      const toY = axis(context, top, CHANNEL, limits, channel.name, channel.unit);
      line(context, starts, channel, toY, Draw.colour("ink"), channel.every);
      top += CHANNEL;
    }
    times(context, top);
    words(seen);
    cursor();
  }

  function times(context, top) {
    const { first, last, time } = State;
    context.fillStyle = Draw.colour("ink");
    context.textAlign = "center";
    context.textBaseline = "top";
    for (const value of Draw.ticks(time[first], time[last], Math.max(across() / 110, 2))) {
      const x = LEFT + (across() * (value - time[first])) / (time[last] - time[first]);
      context.fillText(String(+value.toFixed(4)), x, top + 2);
    }
    context.fillText("elapsed time [s]", LEFT + across() / 2, top + 17);
  }

  function words(seen) {
    const { first, last, time } = State;
    const lanes = Draw.LANES.filter((_, n) => seen[n]).map((one) => one.words).join(", ");
    document.getElementById("window-words").textContent =
      `Shown: ${time[first].toFixed(3)} to ${time[last].toFixed(3)} s. Bars below the forces, thin where measured ` +
      `and tall where not: ${lanes}.`;
  }

  function cursor() {
    const context = Draw.sheet(over, host.clientWidth, tall());
    over.style.height = "";
    const x = toX(State.cursor);
    if (x < LEFT - 1 || x > LEFT + across() + 1) return;
    context.strokeStyle = Draw.colour("ink");
    context.lineWidth = 1;
    context.setLineDash([4, 3]);
    context.beginPath();
    context.moveTo(x, 14);
    context.lineTo(x, tall() - FOOT);
    context.stroke();
  }

  for (const what of ["window", "cursor"]) State.on(what, () => (loaded ? ask() : null));
  State.on("window", draw);
  State.on("choice", load);
  State.on("cursor", cursor);
  window.addEventListener("resize", draw);
  return { load, draw, toSample, host, has, current: () => loaded };
})();

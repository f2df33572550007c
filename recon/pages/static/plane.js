"use strict";
/* Lateral against longitudinal force of each tyre: the window as dots, the cursor with its interval. */
const Plane = (() => {
  const MOST = 700;
  const canvas = document.getElementById("plane");

  function largest(rows) {
    let size = 500;
    for (const row of rows) {
      for (const force of row.slice(0, 2)) {
        const [low, high] = Decode.extremes(force.levels, 0, force.value.length);
        size = Math.max(size, -low, high);
      }
    }
    return 1.08 * size;
  }

  function panel(context, box, corner, row, size) {
    const scale = Math.min(box.wide, box.tall) / 2 / size;
    const x = (value) => box.x - scale * value;
    const y = (value) => box.y - scale * value;
    context.strokeStyle = Draw.colour("faint");
    context.lineWidth = 1;
    context.beginPath();
    context.moveTo(x(size), box.y);
    context.lineTo(x(-size), box.y);
    context.moveTo(box.x, y(size));
    context.lineTo(box.x, y(-size));
    context.stroke();
    context.save();
    context.beginPath();
    context.rect(box.x - box.wide / 2, box.y - box.tall / 2, box.wide, box.tall);
    context.clip();
    const [fx, fy, fz] = row;
    const every = Math.max(Math.ceil((State.last - State.first) / MOST), 1);
    context.fillStyle = Draw.colour(corner);
    context.globalAlpha = 0.35;
    for (let i = State.first; i <= State.last; i += every) {
      if (Number.isFinite(fx.value[i]) && Number.isFinite(fy.value[i])) {
        context.fillRect(x(fy.value[i]) - 1, y(fx.value[i]) - 1, 2, 2);
      }
    }
    context.globalAlpha = 1;
    arcs(context, box, scale, corner, fz.value[State.cursor]);
    cross(context, x, y, fx, fy);
    context.restore();
    context.fillStyle = Draw.colour("ink");
    context.textAlign = "left";
    context.textBaseline = "top";
    context.fillText(`${corner} ${Draw.WORDS[corner]}`, box.x - box.wide / 2 + 4, box.y - box.tall / 2 + 4);
    numbers(context, box, x, y, size);
  }

  /* Words with a rim in which all dots are wiped out. */
  function onDots(context, words, x, y) {
    context.globalCompositeOperation = "destination-out";
    context.strokeText(words, x, y);
    context.globalCompositeOperation = "source-over";
    context.fillText(words, x, y);
  }

  /* Numbers on both axes, in kN. */
  function numbers(context, box, x, y, size) {
    context.fillStyle = Draw.colour("middle");
    context.lineWidth = 4;
    context.lineJoin = "round";
    context.font = "11px system-ui, sans-serif";
    for (const value of Draw.ticks(-size, size, 4).filter((one) => one !== 0 && Math.abs(one) < 0.9 * size)) {
      const words = `${value > 0 ? "+" : ""}${Draw.plain(value / 1000)}`;
      context.textAlign = "center";
      context.textBaseline = "top";
      onDots(context, words, x(value), box.y + 3);
      context.textAlign = "right";
      context.textBaseline = "middle";
      if (y(value) > box.y - box.tall / 2 + 24) onDots(context, words, box.x - 4, y(value));
    }
    context.font = "12px system-ui, sans-serif";
  }

  const TURNS = { left: Math.PI, right: 0, drive: -Math.PI / 2, brake: Math.PI / 2 };
  const ARC = Math.PI / 6;

  /* Value of a column at a load, straight between the loads that are known. */
  function between(own, column, load) {
    const { loads } = own;
    if (load < loads[0] || load > loads[loads.length - 1]) return NaN;
    const next = Math.max(loads.findIndex((one) => one >= load), 1);
    if (loads.length === 1) return own[column][0];
    const share = (load - loads[next - 1]) / (loads[next] - loads[next - 1]);
    return own[column][next - 1] + share * (own[column][next] - own[column][next - 1]);
  }

  /* Demonstrated envelope at the load of the cursor: an arc as wide as its interval. */
  function arcs(context, box, scale, corner, load) {
    for (const own of State.data.envelopes[corner] || []) {
      const [force, lower, upper] = ["force", "lower", "upper"].map((column) => between(own, column, load));
      if (!Number.isFinite(force)) continue;
      context.strokeStyle = Draw.colour("middle");
      for (const [wide, shade] of [[(upper - lower) * scale, 0.3], [own.limit ? 3 : 1, 1]]) {
        context.globalAlpha = shade;
        context.lineWidth = Math.max(wide, 1);
        context.beginPath();
        context.arc(box.x, box.y, force * scale, TURNS[own.direction] - ARC, TURNS[own.direction] + ARC);
        context.stroke();
      }
      context.globalAlpha = 1;
    }
  }

  function cross(context, x, y, fx, fy) {
    const at = State.cursor;
    if (!Number.isFinite(fx.value[at]) || !Number.isFinite(fy.value[at])) return;
    context.strokeStyle = Draw.colour("ink");
    context.lineWidth = 2;
    context.beginPath();
    context.moveTo(x(fy.lower[at]), y(fx.value[at]));
    context.lineTo(x(fy.upper[at]), y(fx.value[at]));
    context.moveTo(x(fy.value[at]), y(fx.lower[at]));
    context.lineTo(x(fy.value[at]), y(fx.upper[at]));
    context.stroke();
  }

  function draw() {
    const loaded = Strips.current();
    if (!Strips.has(State.cursor, State.cursor + 1)) return;
    const wide = canvas.parentElement.clientWidth;
    const context = Draw.sheet(canvas, wide, wide);
    const size = largest(loaded.rows);
    loaded.corners.forEach((corner, k) => {
      const column = corner.endsWith("R") ? 1 : 0;
      const line = corner.startsWith("R") ? 1 : 0;
      const half = wide / 2;
      const box = { x: half * (column + 0.5), y: half * (line + 0.5), wide: half - 8, tall: half - 8 };
      panel(context, box, corner, loaded.rows[k], size);
    });
  }

  return { draw };
})();

"use strict";
/* The car from above: horizontal force of each tyre as an arrow, its doubt as a box, load as a disc. */
const Car = (() => {
  const canvas = document.getElementById("car");
  const PLACES = { FL: [-1, 1], FR: [1, 1], RL: [-1, -1], RR: [1, -1] };

  function body(context, wide, tall) {
    context.strokeStyle = Draw.colour("pale");
    context.lineWidth = 2;
    const [w, h] = [wide * 0.26, tall * 0.62];
    context.beginPath();
    context.moveTo((wide - w) / 2, (tall + h) / 2);
    context.lineTo((wide - w) / 2, (tall - h) / 2 + 30);
    context.lineTo(wide / 2, (tall - h) / 2);
    context.lineTo((wide + w) / 2, (tall - h) / 2 + 30);
    context.lineTo((wide + w) / 2, (tall + h) / 2);
    context.closePath();
    context.stroke();
    context.fillStyle = Draw.colour("middle");
    context.textAlign = "center";
    context.textBaseline = "bottom";
    context.fillText("forwards", wide / 2, (tall - h) / 2 - 4);
  }

  /* A force of a round size, as long as an arrow would show it. */
  function measure(context, tall, scale, force) {
    const round = Draw.ticks(0, force, 2)[1];
    const left = 10;
    const bottom = tall - 12;
    context.strokeStyle = Draw.colour("ink");
    context.fillStyle = Draw.colour("ink");
    context.lineWidth = 3;
    context.beginPath();
    context.moveTo(left, bottom);
    context.lineTo(left + scale * round, bottom);
    context.stroke();
    context.textAlign = "left";
    context.textBaseline = "bottom";
    context.fillText(`${Draw.plain(round / 1000)} kN`, left, bottom - 5);
  }

  function tyre(context, corner, [fx, fy, fz], centre, scale, area) {
    const at = State.cursor;
    const load = fz.value[at];
    if (load > 0) {
      context.fillStyle = Draw.colour("faint");
      context.strokeStyle = Draw.colour("pale");
      context.lineWidth = 1;
      context.beginPath();
      context.arc(centre.x, centre.y, Math.sqrt(load * area), 0, 2 * Math.PI);
      context.fill();
      context.stroke();
    }
    context.fillStyle = Draw.colour("ink");
    context.textAlign = "center";
    context.textBaseline = "top";
    const below = centre.y + 34;
    context.fillText(`${corner}  ${Draw.unitText(load, "N")}`, centre.x, below);
    if (!Number.isFinite(fx.value[at]) || !Number.isFinite(fy.value[at])) {
      context.fillText("horizontal force not known", centre.x, below + 15);
      return;
    }
    const tip = { x: centre.x - scale * fy.value[at], y: centre.y - scale * fx.value[at] };
    context.strokeStyle = Draw.colour(corner);
    context.lineWidth = 3;
    context.beginPath();
    context.moveTo(centre.x, centre.y);
    context.lineTo(tip.x, tip.y);
    context.stroke();
    const box = [centre.x - scale * fy.upper[at], centre.y - scale * fx.upper[at]];
    const wide = scale * (fy.upper[at] - fy.lower[at]);
    const tall = scale * (fx.upper[at] - fx.lower[at]);
    context.lineWidth = 1.5;
    context.strokeRect(box[0], box[1], Math.max(wide, 2), Math.max(tall, 2));
  }

  function draw() {
    const loaded = Strips.current();
    if (!Strips.has(State.cursor, State.cursor + 1)) return;
    const wide = canvas.parentElement.clientWidth;
    const context = Draw.sheet(canvas, wide, wide);
    let force = 500;
    let load = 500;
    for (const row of loaded.rows) {
      for (const one of row.slice(0, 2)) {
        const [low, high] = Decode.extremes(one.levels, 0, one.value.length);
        force = Math.max(force, -low, high);
      }
      load = Math.max(load, Decode.extremes(row[2].levels, 0, row[2].value.length)[1]);
    }
    body(context, wide, wide);
    const scale = (0.24 * wide) / force;
    const area = (0.1 * wide) ** 2 / load;
    measure(context, wide, scale, force);
    loaded.corners.forEach((corner, k) => {
      const [right, ahead] = PLACES[corner];
      const centre = { x: wide * (0.5 + 0.25 * right), y: wide * (0.5 - 0.24 * ahead) };
      tyre(context, corner, loaded.rows[k], centre, scale, area);
    });
    canvas.setAttribute("aria-label", spoken(loaded));
  }

  function spoken(loaded) {
    const at = State.cursor;
    const tyres = loaded.corners.map((corner, k) => {
      const [fx, fy, fz] = loaded.rows[k].map((force) => Draw.unitText(force.value[at], "N"));
      return `${Draw.WORDS[corner]}: Fx ${fx}, Fy ${fy}, Fz ${fz}`;
    });
    return `Car from above at ${State.time[at].toFixed(2)} s. ${tyres.join("; ")}`;
  }

  return { draw };
})();

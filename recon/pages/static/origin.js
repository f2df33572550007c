"use strict";
/* Where a number comes from: the chosen force, step by step back to the pulls. */
const Origin = (() => {
  const { made } = Words;
  const { data } = State;
  const list = document.getElementById("chain");

  /* File of a step with the start of its checksum, or words where no record names it. */
  function file(...roles) {
    const found = data.provenance.filter((box) => roles.includes(box.role));
    return found.map((box) => `${box.file} (checksum ${box.checksum})`).join(", ") || "a file that the result does not name";
  }

  function corners(name) {
    const axle = data.axles.find((one) => one.name === name);
    return axle ? axle.corners : [name];
  }

  /* The assembly that holds the gauges of a corner: the corner itself, or an axle that ties both wheels. */
  function assembly(corner) {
    const axle = corner.startsWith("F") ? "front" : "rear";
    return data.calibration.assemblies.find((one) => one.name === corner || one.name === axle);
  }

  function step(name, words, link) {
    const item = made("li");
    item.append(made("b", `${name}: `), words);
    if (link) {
      const a = made("a", link.words);
      a.href = link.to;
      item.append(" ", a);
    }
    return item;
  }

  function ofCorner(corner) {
    const own = assembly(corner);
    const gauges = own ? own.map.gauges.map((gauge) => gauge.replaceAll("_", " ")).join(", ") : `the gauges of ${corner}`;
    const pulls = own ? `${own.pulls.length} pulls (${own.pulls.map((pull) => pull.name).join("; ")})` : `the pulls of ${corner}`;
    const made_ = data.calibration.created ? `, calculated on ${data.calibration.created}` : "";
    return [
      step(`Indications of ${corner}`, `${gauges}, in ${file("log", "also_log")}`),
      step(`Zeros of ${corner}`, file("tares")),
      step(`Map of ${corner}`, `${file("calibration")}${made_}`,
        { words: own ? "map, checks and pulls" : "verdict and limits", to: own ? `#calibration-${own.name}` : "#calibration" }),
      step(`Pulls of ${corner}`, `${pulls}, in ${file("pulls of calibration")}`),
    ];
  }

  function draw() {
    const [name, axis] = State.force.split(".");
    const own = corners(name);
    const time = State.time[State.cursor].toFixed(3);
    document.getElementById("chain-name").textContent =
      `F${axis} of ${own.join(" + ")} at ${time} s, step by step back to the pulls:`;
    list.replaceChildren(
      step("Force", document.getElementById("chosen").textContent),
      ...own.flatMap(ofCorner),
      step("Geometry and masses", file("vehicle")));
  }

  for (const what of ["cursor", "choice", "loaded"]) State.on(what, draw);
  return { draw };
})();

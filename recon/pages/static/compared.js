"use strict";
/* Words and tables of a comparison, then its pictures. */
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { made } = Words;
  const byId = (id) => document.getElementById(id);

  byId("title").textContent = data.title;
  data.sentences.forEach((sentence) => byId("sentences").append(made("p", sentence)));

  const filled = (name) => data.runs.some((run) => run[name] !== "" && run[name] !== null);
  const COLUMNS = [["set-up", "set_up"], ["block", "block"], ["driver", "driver"], ["tyres", "tyre_set"],
    ["temperature [\u00b0C]", "temperature"], [`${data.metrics[0].name}, 95 %`, "words"], ["notes", "notes"],
    ["forces", "file"]].filter(([, name]) => filled(name));

  function numbered(run) {
    const link = made("a", run.number);
    link.href = `#dot-${run.number}`;
    link.setAttribute("aria-label", `Run ${run.number}, to its dot`);
    return link;
  }

  const left = COLUMNS.flatMap(([, name], n) => (["set_up", "driver", "tyre_set", "notes", "file"].includes(name) ? [n + 1] : []));
  const rows = data.runs.map((run) => [numbered(run), ...COLUMNS.map(([, name]) => run[name] ?? "")]);
  Words.table(byId("run-table"), ["run", ...COLUMNS.map(([words]) => words)], rows, left);
  byId("run-table").caption.textContent = `${data.runs.length} runs in the order in which they were driven`;
  [...byId("run-table").tBodies[0].rows].forEach((row, n) => { row.id = `run-${data.runs[n].number}`; });
  const sources = Object.keys(data.runs[0].sources);
  Words.table(byId("file-table"), ["run", "forces", ...sources.map((name) => (name === "vehicle" ? "car" : name))],
    data.runs.map((run) => [run.number, run.path, ...sources.map((name) => run.sources[name])]), [1, 2, 3, 4, 5]);

  const verdicts = [...new Set(data.metrics.map((metric) => metric.verdict))];
  const having = (verdict) => data.metrics.filter((one) => one.verdict === verdict).map((one) => one.name).join(", ");
  const FINDINGS = {
    runs: `${data.runs.length} runs, ${data.metrics[0].name} ${data.metrics[0].means.join(" against ")} (means)`,
    effects: verdicts.map((verdict) => `${verdict}: ${having(verdict)}`).join("; "),
    spread: data.spread.length ? `${data.spread[0].name}: ${data.spread[0].finding}` : "",
    open: ["nothing", "one entry"][data.not_claimed.length] || `${data.not_claimed.length} entries`,
  };
  for (const link of document.querySelectorAll("#contents a")) {
    const words = FINDINGS[link.hash.slice(1)];
    if (words) link.after(`: ${words}`);
  }

  data.not_claimed.forEach((sentence) => byId("open-list").append(made("li", sentence)));
  if (!data.not_claimed.length) byId("open-list").append(made("li", "Everything that was looked at is claimed."));
  Words.lists(byId("fact-list"), data.facts);
  Words.boxes(byId("boxes"), data.provenance);
  Runs.start(data);
  Effects.start(data);
  Spread.start(data);
  document.documentElement.dataset.ready = "true";
})();

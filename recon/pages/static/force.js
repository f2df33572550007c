"use strict";
/* A force with its limits.  Of a long drive the outline comes first, and samples where they are looked at. */
const Force = (() => {
  const { OUTLINE } = Decode;

  /* `heads` are those of value, half-width and skew; `outline` is that of a long drive. */
  async function made(name, heads, outline) {
    const { count, step, firsts, piece } = heads[0];
    const [value, lower, upper] = heads.map(() => new Float32Array(count).fill(NaN));
    const [levels, under, over] = [value, lower, upper].map(Decode.room);
    const pieces = firsts.map(() => null);
    const there = firsts.map(() => false);
    const vertical = name.endsWith(".z");
    const covering = (first, last) => [Math.floor(first / piece), Math.min(Math.ceil(last / piece), pieces.length)];

    async function load(n) {
      const [middle, half, skew] = await Promise.all(heads.map((head) => Decode.piece(head, n)));
      const start = n * piece;
      value.set(middle, start);
      for (let i = 0; i < middle.length; i += 1) {
        const low = middle[i] + skew[i] - half[i];
        // Rounding must not move a limit of Fz off zero, where the tyre may have left the ground.
        lower[start + i] = vertical && low > 0 && low <= heads[1].step ? 0 : low;
        upper[start + i] = middle[i] + skew[i] + half[i];
      }
      for (const built of [levels, under, over]) Decode.build(built, start, start + middle.length);
      there[n] = true;
    }

    /* Whether samples from `first` to `last` (exclusive) are there. */
    function has(first, last) {
      const [from, to] = covering(first, last);
      for (let n = from; n < to; n += 1) if (!there[n]) return false;
      return true;
    }

    /* Resolved once they are. */
    function need(first, last) {
      const [from, to] = covering(first, last);
      for (let n = from; n < to; n += 1) if (!pieces[n]) pieces[n] = load(n);
      return Promise.all(pieces.slice(from, to));
    }

    for (const built of [levels, under, over]) built.has = has;
    if (outline) await outlined(outline, [levels, under, over], count);
    else await need(0, count);
    return { name, value, lower, upper, levels, under, over, step, piece, has, need };
  }

  /* Extremes of short stretches: of the value, then the smallest lower and the largest upper limit. */
  async function outlined(head, [levels, under, over], count) {
    const every = await Decode.values(head);
    const rows = [0, 1, 2, 3].map((n) => every.subarray((n * every.length) / 4, ((n + 1) * every.length) / 4));
    const from = levels.findIndex((one) => one.size === OUTLINE);
    for (const [built, low, high] of [[levels, 0, 1], [under, 2, 2], [over, 3, 3]]) {
      built[from].low.set(rows[low]);
      built[from].high.set(rows[high]);
      Decode.build(built, 0, count, from);
    }
  }

  return { made };
})();

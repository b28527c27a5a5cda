"use strict";
(() => {
  const data = JSON.parse(document.getElementById("surface").textContent);
  const { travel_mm: z, mean, spread, reach, units, view } = data;
  const ABC = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
  const place = Object.fromEntries([...ABC].map((c, i) => [c, i]));
  const columns = data.lengths[0].length;
  const lengths = (i) => data.lengths[data.lengths.length > 1 ? i : 0];
  // four letters a number; the missing one is "...."
  const read = (name, i, j) => {
    const at = 4 * (i * columns + j), text = data.table[name].slice(at, at + 4);
    if (text[0] === ".") return null;
    let code = 0;
    for (const letter of text) code = code * 64 + place[letter];
    return (code - 8388608) * data.step[name];
  };
  const products = (h, d) => {
    const x = h / reach[0], y = d / reach[1], out = [];
    for (let n = 0; n < 7; n++) for (let a = n; a >= 0; a--) out.push(x ** a * y ** (n - a));
    return out;
  };
  const at = (i, j) => {
    const score = read("score", i, j);
    if (score === null) return null;
    const h = data.lift ? read("lift", i, j) : data.splits[i].height;
    const p = products(h, lengths(i)[j]);
    const toe = [], half = [];
    for (let k = 0; k < z.length; k++) {
      let m = 0, v = 0;
      for (let q = 0; q < mean.length; q++) m += p[q] * mean[q][k];
      for (let q = 0; q < spread.length; q++) v += p[q] * spread[q][k];
      toe.push(m);
      half.push(data.band_sd * Math.sqrt(Math.max(v, 0)));
    }
    return { toe, half, score, low: read("low", i, j), high: read("high", i, j),
      shift: read("shift", i, j), forgotten: read("forgotten", i, j) };
  };
  window.brief = { at, data };

  const $ = (id) => document.getElementById(id);
  const plain = (text) => text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
  const score = (deg) => {
    const value = Math.abs(deg * units.toe_factor), n = units.toe_digits;
    return value.toFixed(value < 10 ** (1 - n) ? n + 1 : n);
  };
  const length = (mm) => plain(Math.abs(mm * units.length_factor).toFixed(units.fine_digits));
  const rough = (mm) => Math.max(Math.abs(mm * units.length_factor), 10 ** -units.length_digits)
    .toFixed(units.length_digits);
  const toe = (deg) => {
    const value = Math.abs(deg * units.toe_factor);
    const n = units.toe_digits - (value >= 1 && units.toe === "deg" ? 1 : 0);
    return `${value.toFixed(n)} ${units.toe} ${deg > 0 ? "toe-in" : "toe-out"}`;
  };
  const here = data.now_mm;
  const signed = (mm) => Number((mm * units.length_factor).toFixed(units.fine_digits));
  const x = (deg) => view.left + (deg * view.sign - view.low) / (view.high - view.low) * view.width;
  const y = (mm) => view.top + (view.up - mm * view.travel_sign) / (view.up - view.down) * view.height;
  const path = (values) => values.map((v, k) => `${k ? "L" : "M"}${x(v).toFixed(1)} ${y(z[k]).toFixed(1)}`).join("");

  const height = $("height"), heightField = $("height-field");
  const reachSlider = $("length"), lengthField = $("length-field");
  let [i, j] = data.start;

  const draw = () => {
    const split = data.splits[i], d = lengths(i)[j], found = at(i, j);
    const raised = split.height - here[0], turned = d - here[1];
    height.value = i;
    const advised = i === data.start[0] && j === data.start[1];
    $("expected-name").textContent = advised ? data.named : "of the setting tried, shaded: 90 in 100";
    heightField.value = signed(raised);
    const stack = `${split.above} over ${split.below}`;
    const up = Math.abs(raised) < 0.005 ? "joint as now" : `joint ${length(raised)} ${units.length} ${raised > 0 ? "higher" : "lower"}`;
    height.setAttribute("aria-valuetext", `${stack}, ${up}`);
    $("height-say").textContent = `${stack}, ${up}`;
    const link = Math.abs(turned) < 0.005 ? "link as now" : `link ${length(turned)} ${units.length} ${turned > 0 ? "longer" : "shorter"}`;
    if (reachSlider) {
      reachSlider.value = j;
      lengthField.value = signed(turned);
      reachSlider.setAttribute("aria-valuetext", link);
    }
    $("length-say").textContent = link;
    if (!found) {
      $("score").textContent = "not offered: past a limit of the hardware";
      for (const id of ["band", "shift", "static-toe"]) $(id).textContent = "-";
      $("curve").setAttribute("d", "");
      $("curve-band").setAttribute("d", "");
      return;
    }
    $("score").textContent = `${score(found.score)} ${units.toe} ${data.figure}`;
    $("band").textContent = `${score(found.low)} to ${score(found.high)}`;
    $("shift").textContent = Math.abs(found.shift) < 0.05 ? "as now"
      : `${rough(found.shift)} ${units.length} ${found.shift > 0 ? "inboard" : "outboard"}`;
    $("static-toe").textContent = toe(found.forgotten);
    $("curve").setAttribute("d", path(found.toe));
    const back = z.map((_, k) => k).reverse();
    $("curve-band").setAttribute("d", path(found.toe.map((v, k) => v - found.half[k]))
      + back.map((k) => `L${x(found.toe[k] + found.half[k]).toFixed(1)} ${y(z[k]).toFixed(1)}`).join("") + "Z");
  };
  const nearest = (values, wanted) => values.reduce((best, v, k) =>
    Math.abs(v - wanted) < Math.abs(values[best] - wanted) ? k : best, 0);
  // a number field answers when it is left or Enter is pressed; nonsense puts the old one back
  const typed = (field, values, take) => field.addEventListener("change", () => {
    const wanted = Number(field.value.replace(",", "."));
    if (field.value.trim() !== "" && Number.isFinite(wanted)) take(nearest(values(), wanted / units.length_factor));
    draw();
  });
  height.addEventListener("input", () => { i = Number(height.value); draw(); });
  typed(heightField, () => data.splits.map((s) => s.height - here[0]), (k) => { i = k; });
  if (reachSlider) {
    reachSlider.addEventListener("input", () => { j = Number(reachSlider.value); draw(); });
    typed(lengthField, () => lengths(i).map((d) => d - here[1]), (k) => { j = k; });
  }
  $("back").addEventListener("click", () => { [i, j] = data.start; draw(); });
  // paper shows the curve that its words are about
  let kept = [i, j];
  addEventListener("beforeprint", () => { kept = [i, j]; [i, j] = data.start; draw(); });
  addEventListener("afterprint", () => { [i, j] = kept; draw(); });
  document.documentElement.classList.add("on");
  draw();
})();

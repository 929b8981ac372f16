"use strict";
// The live part of the report: the physics of the package's bounds for one array, on the numbers in the page.
(() => {
  const model = JSON.parse(document.getElementById("live-data").textContent);
  const orInfinite = (value) => (value === null ? Infinity : value);
  const controls = {};
  for (const name of ["spacing", "rate", "range", "temperature"]) {
    controls[name] = document.getElementById(`live-${name}`);
  }

  // Energy and mean-square angular frequencies of the burst inside a window, by Simpson's rule.
  function burstMoments(window) {
    const steps = 4000, rise = Math.PI * model.frequency_hz / model.q, h = window / steps;
    const sums = {energy: 0, slope: 0, offset: 0, offsetSquare: 0};
    if (window <= 0) return {energy: 0, carrier: 0, envelope: 0};
    for (let k = 0; k <= steps; k++) {
      const t = k * h, weight = (k === 0 || k === steps ? 1 : k % 2 ? 4 : 2) * h / 3;
      const fall = Math.exp(-rise * t), square = (1 - fall) ** 2;
      const offset = 2 * Math.PI * model.sweep_hz * (t / model.length_s - 0.5);
      sums.energy += weight * square;
      sums.slope += weight * (rise * fall) ** 2;
      sums.offset += weight * square * offset;
      sums.offsetSquare += weight * square * offset ** 2;
    }
    const mean = sums.offset / sums.energy;
    const envelope = sums.slope / sums.energy + sums.offsetSquare / sums.energy - mean ** 2;
    return {energy: sums.energy, envelope, carrier: envelope + (2 * Math.PI * model.frequency_hz + mean) ** 2};
  }

  const decibels = (power) => 10 * Math.log10(power);

  function link(range, rate, absorption, window) {
    const received = model.source_level_db - 20 * Math.log10(range) - absorption * range / 1000;
    const steps = model.quantisation_density_pa2 * model.quantisation_rate_hz / rate / 1e-12;
    const noise = decibels(10 ** (model.water_noise_db / 10) + steps);
    const moments = burstMoments(window);
    const ratio = 2 * 10 ** ((received - noise) / 10) * moments.energy;
    const jitter = model.jitter_sd_s ** 2;
    return {
      ratio,
      carrier: 1 / (ratio * moments.carrier) + jitter,
      envelope: 1 / (ratio * moments.envelope) + jitter,
    };
  }

  // Information about (bearing, depression, sound speed) with the moment of arrival eliminated.
  // The derivatives are those of a plane wave in physics/error_model.py written again, for a page that runs alone:
  // tests/present/report/test_report.py holds the two together.
  function information(spacing, speed, bearing, depression, variance) {
    const cb = Math.cos(bearing), sb = Math.sin(bearing), cd = Math.cos(depression), sd = Math.sin(depression);
    const unit = [cd * cb, cd * sb, sd];
    const slopes = [[-cd * sb, cd * cb, 0], [-sd * cb, -sd * sb, cd]];
    const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    const rows = model.shape.map((place) => {
      const r = place.map((x) => x * spacing);
      return [-dot(r, slopes[0]) / speed, -dot(r, slopes[1]) / speed, dot(r, unit) / speed ** 2];
    });
    const weights = variance.map((v) => 1 / v), total = weights.reduce((a, b) => a + b, 0);
    const mean = [0, 1, 2].map((k) => rows.reduce((sum, row, i) => sum + weights[i] * row[k], 0) / total);
    return [0, 1, 2].map((j) => [0, 1, 2].map((k) => rows.reduce(
      (sum, row, i) => sum + weights[i] * (row[j] - mean[j]) * (row[k] - mean[k]), 0)));
  }

  function bearingSd(spacing, speed, bearing, depression, variance) {
    const full = information(spacing, speed, bearing, depression, variance);
    let kept = [[full[0][0], full[0][1]], [full[1][0], full[1][1]]];
    if (model.sound_speed_sd_m_s > 0) {
      const own = full[2][2] + 1 / model.sound_speed_sd_m_s ** 2;
      kept = kept.map((row, j) => row.map((value, k) => value - full[j][2] * full[k][2] / own));
    }
    const [[a, b], [, d]] = kept;
    if (!(a > 0)) return model.guess_sd;
    // A line, or a plane seen edge on, tells one angle: the bearing with the depression known.
    const alone = model.rank === 1 || d <= 1e-9 * a;
    const spread = alone ? 1 / a : d / (a * d - b * b);
    return Math.min(spread > 0 ? Math.sqrt(spread) : Infinity, model.guess_sd);
  }

  // Complementary error function: Abramowitz and Stegun (1964), series 7.1.6 and continued fraction 7.1.14.
  function erfc(x) {
    if (x < 2) {
      let term = x, sum = x;
      for (let n = 1; n < 60; n++) {
        term *= 2 * x * x / (2 * n + 1);
        sum += term;
      }
      return 1 - 2 / Math.sqrt(Math.PI) * Math.exp(-x * x) * sum;
    }
    let fraction = x;
    for (let n = 60; n > 0; n--) fraction = x + n / 2 / fraction;
    return Math.exp(-x * x) / Math.sqrt(Math.PI) / fraction;
  }

  function figures(spacing, rate, rangeIndex, temperatureIndex) {
    const speed = model.sound_speed_m_s[temperatureIndex], range = model.range_m[rangeIndex];
    const window = Math.min(orInfinite(model.echo_detour_m[rangeIndex]) / speed, model.length_s);
    const heard = link(range, rate, model.absorption_db_per_km[temperatureIndex], window);
    const variance = model.tolerance_m.map((t) => heard.carrier + model.skew_sd_s ** 2 + (t / speed) ** 2);
    const squares = model.bearing.map((b) =>
      bearingSd(spacing, speed, b, model.depression[rangeIndex], variance) ** 2);
    const half = speed / model.frequency_hz / 2;
    const coarse = Math.sqrt(
      2 * (heard.envelope * orInfinite(model.cycle_variance_ratio[rangeIndex]) + model.skew_sd_s ** 2));
    return {
      multipath_free_s: window,
      energy_ratio_db: decibels(heard.ratio),
      bearing_rms_deg: Math.sqrt(squares.reduce((a, b) => a + b, 0) / squares.length) * 180 / Math.PI,
      half_wavelength_m: half,
      wrong_integer_pair: spacing <= half ? 0 : erfc(0.5 / model.frequency_hz / Math.SQRT2 / coarse),
    };
  }
  window.liveFigures = figures;  // so that the page can be held against the package

  const digits = (value, count) => (Number.isFinite(value) ? Number(value.toPrecision(count)).toString() : "none");

  function show() {
    const index = {};
    for (const name of Object.keys(controls)) index[name] = Number(controls[name].value);
    const spacing = model.spacing_m[index.spacing], rate = model.sample_rate_hz[index.rate];
    const result = figures(spacing, rate, index.range, index.temperature);
    const said = {
      spacing: `${digits(1e3 * spacing, 3)} mm`,
      rate: `${digits(rate / 1e3, 4)} kHz`,
      range: `${digits(model.range_m[index.range], 3)} m`,
      temperature: `${model.temperature_degc[index.temperature].toFixed(1)} °C, `
        + `${model.sound_speed_m_s[index.temperature].toFixed(0)} m/s`,
    };
    for (const [name, text] of Object.entries(said)) {
      document.getElementById(`live-${name}-value`).textContent = text;
      controls[name].setAttribute("aria-valuetext", text);
    }
    const pair = result.wrong_integer_pair;
    const free = spacing <= result.half_wavelength_m;
    document.getElementById("live-bearing").textContent = `${digits(result.bearing_rms_deg, 2)}°`;
    document.getElementById("live-window").textContent = `${digits(1e3 * result.multipath_free_s, 2)} ms`;
    document.getElementById("live-ratio").textContent =
      Number.isFinite(result.energy_ratio_db) ? `${result.energy_ratio_db.toFixed(1)} dB` : "none";
    document.getElementById("live-cycle").textContent =
      free ? "none" : pair < 1e-4 ? "under 0.01 %" : `${digits(100 * pair, 2)} %`;
    document.getElementById("live-cycle-note").textContent = free
      ? `Up to ${digits(1e3 * result.half_wavelength_m, 3)} mm the phase alone tells the cycle.`
      : "Chance that the envelope of the shortest pair alone picks the wrong cycle; several baselines do better.";
  }

  for (const control of Object.values(controls)) control.addEventListener("input", show);
  document.getElementById("live-panel").hidden = false;
  show();
})();

// What the tests add to the demo: a model with its terms, a site and units of
// an invented maker, and telemetry whose numbers are known beforehand.

// catalogue registers the model BT-1 with units at the site browser-test.
// Cells at 2 °C may be charged at 0.25 C, which is 1250 W.
export const catalogue = (units) => ({
  'models.yaml': `models:
  - name: BT-1
    chemistry: LFP
    rated_kwh: 5
    rated_ah: 100
    max_power_kw: 2.5
    max_gap: 15m
    charge_limit:
      - {cell_temp_c: 0, c_rate: 0.2}
      - {cell_temp_c: 12, c_rate: 0.5}
      - {cell_temp_c: 45, c_rate: 0.5}
terms:
  - name: BT home
    model: BT-1
    sold_from: 2020-01-01
    years: 10
    energy_cap_mwh: 10
    start: commissioned
`,
  'sites.csv': 'site,zone\nbrowser-test,Asia/Kathmandu\n',
  'units.csv': ['unit,model,site,commissioned,terms', ...units.map((u) => `${u},BT-1,browser-test,2025-01-01,BT home`), ''].join('\n'),
});

export const minutes = 60_000;

export const iso = (ms) => new Date(ms).toISOString().replace('.000Z', 'Z');

// cold is a night with two episodes of charging cells at 2 °C at 0.4 C: the
// first of four samples, after which charging stops, the second of three,
// after which it goes on at 0.1 C. Samples are five minutes apart.
//
// Energy from power is the mean of two samples over the time between them:
//   inside the first 3 × 2000 W × 5 min = 500 Wh, around it 2 × 1000 W × 5 min
//   inside the second 2 × 2000 W × 5 min = 333.333 Wh, then (1000 + 1250 + 500
//   + 500 + 250) W × 5 min around and after it
export function cold(unit, from) {
  const powers = [...Array(6).fill(0), ...Array(4).fill(2000), ...Array(6).fill(0), ...Array(3).fill(2000), ...Array(3).fill(500), ...Array(6).fill(0)];
  const rows = powers.map((power, i) => `${unit},${iso(from + i * 5 * minutes)},${power},2`);
  return {
    csv: `unit,time,power_w,cell_temp_c\n${rows.join('\n')}\n`,
    samples: powers.length,
    // 500 + 166.667 + 333.333 + 291.667 Wh
    chargeWh: 1291.667,
    episodes: [
      { start: from + 6 * 5 * minutes, n: 4, chargeWh: 500, ending: 'stopped' },
      { start: from + 16 * 5 * minutes, n: 3, chargeWh: 333.333, ending: 'within-limit' },
    ],
  };
}

/**
 * On which terms a crawl is measured: the hold time and the band that the rule sheet gives its test.
 */

const SAME = 1e-9;

/** What the rule sheet says of the test named so; null where it says nothing. */
function termsOf(event, test) {
  return event?.tests?.find((item) => item.id === test)?.terms ?? null;
}

/**
 * Whether a crawl was measured on the terms of the test on the slip.
 *
 * @param {any} result  the crawl, which says what it was measured with
 * @param {any} event   as the server gives it; null until it is known
 * @param {string|null} test
 */
export function onTermsOf(result, event, test) {
  const terms = termsOf(event, test);
  const told = result?.settings;
  if (!terms || !told?.band_hz || told.hold_s === undefined) return true;
  const pairs = [
    [told.hold_s, terms.hold_s],
    [told.band_hz[0], terms.band_hz?.[0]],
    [told.band_hz[1], terms.band_hz?.[1]],
  ].filter(([, asked]) => asked !== null && asked !== undefined);
  return pairs.every(([a, b]) => Math.abs(a - b) <= SAME * Math.max(Math.abs(a), Math.abs(b)));
}

/**
 * On which terms a crawl is measured: the hold time and the band that the rule sheet gives its test.
 */

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
  const held = terms.hold_s === null || terms.hold_s === told.hold_s;
  return held && (terms.band_hz ?? told.band_hz).every((end, at) => end === told.band_hz[at]);
}

/**
 * The fields of the session record, in the order in which they are written down, and how a
 * change of one is told. Names are those of the record.
 */

/** @typedef {import("./form_parts.js").FieldSpec} FieldSpec */

/** @type {Array<{title: string, fields: FieldSpec[]}>} */
export const SESSION_GROUPS = [
  {
    title: "The day",
    fields: [
      { name: "date", label: "Date", kind: "date" },
      { name: "place", label: "Place" },
      { name: "filmed_by", label: "Filmed by" },
      { name: "judge", label: "Judge" },
      { name: "room_c", label: "Room", kind: "number", unit: "°C", least: -60, most: 60 },
      { name: "tyre_c", label: "Tyres", kind: "number", unit: "°C", least: -60, most: 200 },
    ],
  },
  {
    title: "The board",
    fields: [
      { name: "surface", label: "Surface", hint: "What the board is covered with." },
      { name: "surface_side", label: "Side of it that is up" },
      { name: "surface_age", label: "Age of it", hint: "How old, how many runs." },
      { name: "surface_care", label: "Care of it", hint: "Wiped with what, how often." },
      { name: "reference_truck", label: "Reference truck", hint: "Run first, middle and last, to see the board drift." },
    ],
  },
  {
    title: "The inclinometer",
    fields: [
      { name: "inclinometer", label: "Which one set the board" },
      { name: "inclinometer_zeroed", label: "Zeroed", hint: "How and when, such as: by reversal, 13:05." },
      { name: "inclinometer_u_deg", label: "Its standard uncertainty", kind: "number", unit: "°", least: 0, most: 45 },
    ],
  },
  { title: "Note", fields: [{ name: "note", label: "Note", kind: "area" }] },
];

const TYRE_STATES = [
  [null, "not known"],
  ["new", "new"],
  ["clean", "clean"],
  ["conditioned", "conditioned"],
  ["dirty", "dirty"],
];

/** @type {FieldSpec[]} */
export const SETUP_FIELDS = [
  { name: "setup", label: "Set-up", needed: true, hint: "Any change to the truck is a new set-up." },
  { name: "driver", label: "Driver" },
  { name: "tyres", label: "Tyres" },
  { name: "tyre_diameter_mm", label: "Tyre diameter", kind: "number", unit: "mm", above: 0, most: 5_000 },
  { name: "tyre_state", label: "Tyre state", kind: "choice", choices: TYRE_STATES },
  { name: "runs_since_cleaning", label: "Runs since cleaning", kind: "count", least: 0, most: 100_000 },
  { name: "mass_g", label: "Mass, ready to run", kind: "number", unit: "g", above: 0, most: 1_000_000 },
  { name: "front_mass_g", label: "Mass on the front", kind: "number", unit: "g", least: 0, most: 1_000_000 },
  { name: "rear_mass_g", label: "Mass on the rear", kind: "number", unit: "g", least: 0, most: 1_000_000 },
  { name: "left_mass_g", label: "Mass on the left", kind: "number", unit: "g", least: 0, most: 1_000_000 },
  { name: "right_mass_g", label: "Mass on the right", kind: "number", unit: "g", least: 0, most: 1_000_000 },
  { name: "wheelbase_mm", label: "Wheelbase", kind: "number", unit: "mm", above: 0, most: 10_000 },
  { name: "track_mm", label: "Track", kind: "number", unit: "mm", above: 0, most: 10_000 },
  { name: "ride_height_mm", label: "Ride height", kind: "number", unit: "mm", least: 0, most: 5_000 },
  { name: "body_on", label: "Body on", kind: "yesno" },
  { name: "battery_before_v", label: "Battery before", kind: "number", unit: "V", least: 0, most: 1_000 },
  { name: "battery_after_v", label: "Battery after", kind: "number", unit: "V", least: 0, most: 1_000 },
  { name: "settings", label: "Settings", hint: "Such as: drag brake full, soft start." },
  { name: "note", label: "Note", kind: "area" },
];

const LABELS = new Map(
  [...SESSION_GROUPS.flatMap((group) => group.fields), ...SETUP_FIELDS].map((spec) => [spec.name, spec.label]),
);
LABELS.set("setups", "Set-ups");

/** What is of one day only, and is asked anew rather than taken over. */
export const OF_THE_DAY = ["inclinometer_zeroed", "room_c", "tyre_c"];
/** The same, of each set-up. */
export const OF_THE_DAY_SETUP = ["battery_before_v", "battery_after_v", "runs_since_cleaning"];

/** How a field of the record is called on the page. @param {string} name */
export function fieldWords(name) {
  const [head, ...rest] = String(name).split(/[.[\]]+/).filter(Boolean);
  const words = LABELS.get(head) ?? head.replaceAll("_", " ");
  return rest.length > 0 ? `${words}: ${rest.map((part) => LABELS.get(part) ?? part).join(", ")}` : words;
}

/** A value of the record in words. @param {any} value */
export function valueWords(value) {
  if (value === null || value === undefined || value === "") return "not known";
  if (value === true) return "yes";
  if (value === false) return "no";
  if (Array.isArray(value)) return value.map((item) => item?.setup ?? valueWords(item)).join("; ") || "none";
  return String(value);
}

/**
 * Where two records differ, by field.
 * @param {any} mine @param {any} theirs
 * @returns {Array<{field: string, mine: any, theirs: any}>}
 */
export function differences(mine, theirs) {
  const names = SESSION_GROUPS.flatMap((group) => group.fields.map((spec) => spec.name));
  const plain = names
    .filter((name) => (mine[name] ?? "") !== (theirs[name] ?? ""))
    .map((name) => ({ field: name, mine: mine[name], theirs: theirs[name] }));
  const nameOf = (item) => item.setup;
  const all = new Set([...(mine.setups ?? []).map(nameOf), ...(theirs.setups ?? []).map(nameOf)]);
  const found = (record, setup) => record.setups?.find((item) => item.setup === setup);
  const setups = [...all].flatMap((setup) => {
    const [here, there] = [found(mine, setup), found(theirs, setup)];
    if (!here || !there) {
      return [{ field: `setups.${setup}`, mine: here ? "there" : "not there", theirs: there ? "there" : "not there" }];
    }
    return SETUP_FIELDS.filter((spec) => (here[spec.name] ?? "") !== (there[spec.name] ?? "")).map((spec) => ({
      field: `setups.${setup}.${spec.name}`,
      mine: here[spec.name],
      theirs: there[spec.name],
    }));
  });
  return [...plain, ...setups];
}

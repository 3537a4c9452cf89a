// The kinds of work that an urgent call can be; a test holds them to the trade table.

export const KINDS = [
  ["lockout_vehicle", "Vehicle lockout"],
  ["lockout_house", "House lockout"],
  ["lockout_business", "Business lockout"],
  ["add_key", "Add a key"],
  ["all_keys_lost", "All keys lost"],
  ["emergency_blade", "Emergency blade, cut"],
  ["broken_key", "Broken-key extraction"],
  ["ignition_cylinder", "Ignition cylinder"],
  ["rekey", "Rekey"],
  ["lock_change", "Lock change"],
  ["safe_opening", "Safe opening"],
];

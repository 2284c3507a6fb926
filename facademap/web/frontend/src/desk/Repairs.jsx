export function RepairSheet() { return null; }

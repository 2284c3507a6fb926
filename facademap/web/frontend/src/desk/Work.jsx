export function WorkRecord() { return null; }

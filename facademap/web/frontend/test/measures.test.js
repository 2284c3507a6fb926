import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { figuresIn, listOf, parseLength, parseNumber } from "../src/desk/geometry/measures.js";

describe("lengths as people type them", () => {
  // 1 in = 25.4 mm and 1 ft = 0.3048 m exactly: International Yard and Pound Agreement, 1959
  it.each([
    ["45", "mm", 0.045],
    ["60 cm", "mm", 0.6],
    ["60cm", "in", 0.6],
    ["0,6 m", "mm", 0.6],
    ["1.25 m", "mm", 1.25],
    ["600 mm", "in", 0.6],
    ["2 3/8 in", "mm", 2.375 * 0.0254],
    ["2-3/8", "in", 2.375 * 0.0254],
    ["3/16", "in", 0.1875 * 0.0254],
    ["2⅜ in", "mm", 2.375 * 0.0254],
    ["1' 3 1/2\"", "mm", 15.5 * 0.0254],
    ["1′ 3 1/2″", "mm", 15.5 * 0.0254],
    ["1'-3", "in", 15 * 0.0254],
    ["2 ft 6 in", "mm", 30 * 0.0254],
    ["-12", "mm", -0.012],
    [".5", "mm", 0.0005],
  ])("%s in %s", (text, unit, metres) => {
    expect(parseLength(text, unit)).toBeCloseTo(metres, 12);
  });

  it.each(["abc", "60 kg", "1/0", "12 mm 3 m", "5 5", "1e3", "3 in 2 ft", "--4", "4 mm x"])(
    "refuses %s",
    (text) => {
      expect(parseLength(text, "mm")).toBeUndefined();
    },
  );

  it("takes an empty box for nothing", () => {
    expect(parseLength("  ", "mm")).toBeNull();
  });

  it("reads what it would write, to a tenth of a millimetre", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 500_000 }), (tenths) => {
        expect(parseLength(`${tenths / 10}`, "mm")).toBeCloseTo(tenths / 10_000, 9);
        expect(parseLength(`${tenths / 10} mm`, "in")).toBeCloseTo(tenths / 10_000, 9);
      }),
    );
  });

  it("never throws, and gives a finite number or refuses", () => {
    fc.assert(
      fc.property(fc.string(), (text) => {
        const found = parseLength(text, "mm");
        expect(found === null || found === undefined || Number.isFinite(found)).toBe(true);
      }),
    );
  });
});

describe("numbers", () => {
  it("takes a comma, a point and its own unit", () => {
    expect(parseNumber("12,5")).toBe(12.5);
    expect(parseNumber("12.5 kg", "kg")).toBe(12.5);
    expect(parseNumber("")).toBeNull();
  });
  it("refuses another unit and words", () => {
    expect(parseNumber("12 lb", "kg")).toBeUndefined();
    expect(parseNumber("abc")).toBeUndefined();
  });
});

describe("a list that is pasted", () => {
  it.each([
    ["51 50 49,5 50", ["51", "50", "49,5", "50"]],
    ["12;13", ["12", "13"]],
  ])("%s is several numbers", (text, parts) => expect(listOf(text)).toEqual(parts));
  it.each(["2 3/8 in", "60 cm", "1' 3 1/2\"", "45", "abc def", ""])("%s is none", (text) =>
    expect(listOf(text)).toBeNull(),
  );
});

describe("figures of what was measured", () => {
  it.each([
    [0.5, [0.5]],
    [
      [0.5, 0.25],
      [0.5, 0.25],
    ],
    [{ left: 0.5, right: 0.25 }, [0.5, 0.25]],
  ])("%j", (measured, figures) => {
    expect(figuresIn(measured)).toEqual(figures);
  });
});

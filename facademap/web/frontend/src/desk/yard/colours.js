// Colours that were measured, as the page shows them.

/** @param {number[] | null | undefined} lab */
export const labColour = (lab) => {
  if (!lab) return "transparent";
  // CIELAB (D50) is a colour of the style sheet language as it stands
  return `lab(${lab[0]}% ${lab[1]} ${lab[2]})`;
};

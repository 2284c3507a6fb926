// Every text of the desk. A translation is another catalogue with the same keys.
const english = {
  "app": "Survey desk",
  "place.survey": "Survey", "place.repairs": "Repairs", "place.stone": "Stone", "place.record": "Record", "place.control": "Control",
  "panel.record": "Selected", "panel.list": "List", "panel.missing": "Missing", "panel.layers": "Layers", "panel.history": "History", "panel.edits": "Edits",
  "tool.select": "Select", "tool.polygon": "Outline", "tool.rectangle": "Square", "tool.freehand": "Freehand", "tool.line": "Line", "tool.point": "Point",
  "tool.modify": "Change", "tool.split": "Split", "tool.hole": "Hole", "tool.cut": "Cut off", "tool.measure": "Measure", "tool.outline": "Find outline", "tool.follow": "Follow line",
  "tool.merge": "Join", "tool.copy": "Copy", "tool.delete": "Delete", "tool.undo": "Undo", "tool.redo": "Redo",
  "hint.select": "Click to select, Shift-click for more, click again for what lies beneath.",
  "hint.polygon": "Click the corners; double-click or Enter ends. Backspace takes the last corner back.",
  "hint.rectangle": "Click two opposite corners; the rectangle lies square to the bed of the stone.",
  "hint.freehand": "Press and draw round the damage.", "hint.line": "Click along the crack; double-click or Enter ends.",
  "hint.point": "Click the place.", "hint.modify": "Drag corners and edges of the selection; Alt-click removes a corner.",
  "hint.split": "Draw a line right across the outline.", "hint.hole": "Draw the hole inside the selection.", "hint.cut": "Draw over what is to be taken off the selection.",
  "hint.measure": "Click from point to point; double-click ends.", "hint.outline": "Click inside a defect or a stone.", "hint.follow": "Click a few points along the crack or joint; double-click ends.",
  "draw.as": "Draws", "table.conditions": "condition", "table.wall_stones": "wall stone", "table.openings": "opening", "table.repairs": "cut-out",
  "snap": "Snap", "trace": "Trace neighbour", "grid": "Grid",
  "what.draw.conditions": "draw condition", "what.draw.wall_stones": "draw wall stone", "what.draw.openings": "draw opening", "what.draw.repairs": "draw cut-out",
  "what.modify": "change outline", "what.split": "split", "what.hole": "cut a hole", "what.cut": "cut off", "what.merge": "join", "what.copy": "copy", "what.delete": "delete {n}", "what.class": "class {n}",
  "fault.crosses": "This outline crosses itself. Draw it again so that it does not.", "fault.tooFew": "An outline needs three corners.", "fault.tooSmall": "This outline has no area.",
  "split.none": "The line crosses no selected outline from side to side.", "cut.none": "Select the outline first, then draw over it.", "merge.few": "Select two or more outlines to join.",
  "deleted": "{n} deleted.", "assist.offline": "Proposals need the server; draw by hand meanwhile.",
  "status.saved": "All saved", "status.sending": "{n} on the way", "status.offline": "No connection · {n} kept here",
  "nothing": "Nothing selected", "nothing.hint": "Choose something on the wall or in the list, or start to draw.",
  "many": "{n} selected", "many.hint": "What you change here applies to all of them.",
  "find": "Find id, term, note …", "none.found": "Nothing matches.", "all": "All",
  "conflict.title": "Changed by somebody else meanwhile", "conflict.text": "{who} changed {id} at {at}. Choose what holds, line by line; nothing is lost, both versions stay in the history.",
  "conflict.mine": "Mine", "conflict.theirs": "Theirs", "conflict.keep": "Keep as chosen", "conflict.drop": "Take theirs", "conflict.gone": "{id} was deleted meanwhile. Bring it back with your change, or leave it deleted.", "conflict.back": "Bring back", "conflict.leave": "Leave deleted",
  "refused.title": "{n} not stored", "signed.out": "You are signed out. Your edits are kept here; open the link with its secret again.",
  "name.title": "Who surveys?", "name.text": "Your name or initials go with each edit. You may leave it empty.", "name.go": "Start",
  "help": "Keys and help", "close": "Close", "theme": "Light", "theme.day": "Day", "theme.sun": "Bright sun", "theme.dark": "Dark", "units": "Units",
  "plans": "Plans", "plan": "Plan", "plan.matched": "Matched", "plan.colour": "Mean ΔE", "plan.gap": "Proof", "plan.now": "now", "plan.best": "best possible", "plan.within": "within {n} %", "of": "{n} of {all}",
  "plans.compare": "Compare two plans", "plans.first": "First plan", "plans.second": "Second plan", "plans.changed": "{n} repairs differ, {same} stay as they are.", "plans.same": "Both plans cut the same pieces from the same places.",
  "plan.placed": "Pieces placed", "plan.visual": "Looks (smaller is better)", "plan.opened": "Stone opened", "plan.blocks": "Blocks opened", "better": "better", "figure": "Figure", "none": "none", "see": "See", "hide": "Hide",
  "change.placed": "gets a stone", "change.another block": "another block", "change.another place": "another place on the block", "change.left out": "loses its stone", "plan.seen": "Block {block} seen in the wall, plan {plan}",
  "reason.stone_type": "no block of this stone", "reason.bed": "no block with a fitting bed", "reason.depth": "no block is deep enough", "reason.weathered": "no weathered face", "reason.colour": "no block close enough in colour", "reason.size": "no block is large enough", "reason.locked_out": "locked or forbidden", "reason.capacity": "the blocks that fit are used by others", "reason.null": "no stone", "reason.undefined": "no stone",
  "survey.compare": "Compare two surveys", "survey.left": "Left of the edge", "survey.right": "Right of the edge",
  "match.seconds": "Longest search of the matching", "seconds": "{n} s", "minutes": "{n} min",
  "face.photograph": "Photograph a face", "face.from": "Measure from a stored photo", "face.title": "Measure a face of block {id}",
  "face.start": "Click one end of a known length", "face.end": "Click the other end of the known length", "face.click": "Click on the face", "face.known": "Known length, mm", "face.depth": "Usable depth, mm",
  "face.find": "Find the outline", "face.finding": "Tracing …", "face.again": "Begin again", "face.store": "Store this face", "face.size": "{w} ± {pw} mm wide, {h} ± {ph} mm high (95 %)", "face.what": "measure face of {id}", "face.later": "Bed, finish and flaws are set on the block afterwards; until the bed is known no plan takes the face.",
  "needs.server": "This needs the server.", "papers": "Papers", "papers.none": "No papers were issued yet.", "papers.notes": "Notes ({n})",
  "ticket": "Cut ticket", "ticket.alt": "Cut ticket of repair {id}", "ticket.none": "The ticket needs the server and a piece to cut.", "ticket.keep": "Keep this page", "ticket.note": "As it would be issued now.",
  "job.match": " – {n} placed, {without} without a stone", "job.papers": " – {made} made, {same} unchanged", "job.failed": ", {n} failed",
  "missing.none": "Nothing is missing.", "missing.term": "Term", "missing.depth_m": "Depth", "missing.cc": "Condition class", "missing.uc": "Urgency class", "missing.rc": "Recommendation class", "missing.wall_stone": "Wall stone", "missing.width_m": "Width", "missing.confirmed": "Assisted outline not confirmed",
  "confirm": "Confirm outline", "template.use": "Draw the next ones like this", "template.on": "Next: {term}",
};

let catalogue = english;
export const useCatalogue = (other) => {
  catalogue = { ...english, ...other };
};

/** The text of a key, with {names} filled in. */
export function t(key, values = {}) {
  const text = catalogue[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name] ?? ""));
}

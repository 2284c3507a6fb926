// A short walk round the desk, shown once.
import { Dialog } from "./Dialogs.jsx";
import { enter } from "./Desk.jsx";
import { tourSeen, who } from "./settings.js";
import { dialog, panel, sheetOpen } from "./view.js";

const STEPS = [
  { title: "Your desk", text: "The wall is in the middle, in its true measure; the rules at its edges count metres and feet. Every edit is stored the moment you make it, and can be taken back.", name: true },
  { title: "Draw", place: "survey", text: "Choose Outline, click round the damage and press Enter. Square lies to the bed of the stone, Freehand follows your pen. With Snap on, corners meet the joints; Trace runs along a neighbour." },
  { title: "Class", place: "survey", panel: "record", text: "The sheet beside the wall asks for the term, the three classes and the depth. The wall stone is found by itself. Select many to change them together." },
  { title: "What is missing", place: "survey", panel: "missing", text: "Before planning, look here: what still needs a class, a depth or a stone." },
  { title: "Repairs and stone", place: "repairs", text: "Repairs holds the cut-outs and, for each, the salvaged blocks in order of how well they look and fit. Stone is the yard: every block with its picture." },
  { title: "On the scaffold", place: "record", text: "Record works on a phone: open a repair, tick off what is done, take the photo. Without a connection everything is kept and sent later." },
];

export function Tour() {
  const step = dialog.value.step ?? 0;
  const now = STEPS[step];
  const leave = () => {
    tourSeen.value = true;
    dialog.value = null;
    enter("survey");
  };
  const go = (to) => {
    const next = STEPS[to];
    if (!next) {
      leave();
      return;
    }
    if (next.place) enter(next.place);
    if (next.panel) panel.value = next.panel;
    sheetOpen.value = true;
    dialog.value = { kind: "tour", step: to };
  };
  return (
    <Dialog title={now.title} onClose={leave} key="tour">
      <p>{now.text}</p>
      {now.name && <label class="field">Your name or initials (may stay empty) <input maxLength={60} value={who.value} onInput={(e) => { who.value = e.currentTarget.value; }} /></label>}
      <footer class="actions">
        <button type="button" class="main" onClick={() => go(step + 1)}>{step + 1 < STEPS.length ? "Next" : "Begin"}</button>
        {step > 0 && <button type="button" onClick={() => go(step - 1)}>Back</button>}
        <button type="button" class="quiet" onClick={leave}>Skip</button>
        <span class="aside">{step + 1} of {STEPS.length}</span>
      </footer>
    </Dialog>
  );
}

// Does a sheet in somebody's hand still hold? By its number, or by the code on it, seen by the camera or in a photo.
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { t } from "../words/texts.js";

const LOOK_MS = 250;
/**
 * What of the browser reads codes, where it does.
 * @typedef {{ detect: (seen: HTMLVideoElement) => Promise<{ rawValue: string }[]> }} Detector
 * @typedef {new (wanted: { formats: string[] }) => Detector} DetectorMaker
 */
const { BarcodeDetector } = /** @type {{ BarcodeDetector?: DetectorMaker }} */ (globalThis);
const READS = Boolean(BarcodeDetector && navigator.mediaDevices?.getUserMedia);

/**
 * What the camera sees, until a code is read in it.
 * @param {{ read: (text: string) => void, close: () => void }} props
 */
function Camera({ read, close }) {
  const video = useRef(/** @type {HTMLVideoElement | null} */ (null));
  const [bad, setBad] = useState("");
  useEffect(() => {
    /** @type {MediaStream | null} */
    let stream = null;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    let timer;
    let over = false;
    const stop = () => {
      for (const track of stream?.getTracks() ?? []) track.stop();
    };
    /** @type {(detector: Detector, box: HTMLVideoElement) => Promise<void>} */
    const look = async (detector, box) => {
      try {
        const [code] = await detector.detect(box);
        if (code?.rawValue && !over) return read(code.rawValue);
      } catch {
        // no picture yet
      }
      if (!over) timer = setTimeout(() => void look(detector, box), LOOK_MS);
    };
    const begin = async () => {
      try {
        const wanted = { video: { facingMode: "environment" } };
        stream = await navigator.mediaDevices.getUserMedia(wanted);
        const box = video.current;
        if (over || !box || !BarcodeDetector) return stop();
        box.srcObject = stream;
        await box.play();
        await look(new BarcodeDetector({ formats: ["qr_code"] }), box);
      } catch {
        if (!over) setBad(t("sheet.camera.none"));
      }
    };
    void begin();
    return () => {
      over = true;
      clearTimeout(timer);
      stop();
    };
  }, []);
  return (
    <div class="code-camera">
      {bad ? (
        <p class="warn">{bad}</p>
      ) : (
        // what the camera sees has no sound
        <video ref={video} muted playsInline aria-label={t("sheet.camera")} />
      )}
      <button type="button" class="quiet" onClick={close}>
        {t("close")}
      </button>
    </div>
  );
}

/** A field for the number or the text of a code, and what is known of that sheet. */
export function SheetAsked() {
  const [words, setWords] = useState("");
  const [told, setTold] = useState(
    /** @type {{ what: string, state: string, says: string }[] | null} */ (null),
  );
  const [seeing, setSeeing] = useState(false);
  const [bad, setBad] = useState("");
  const newest = useRef(/** @type {Promise<any> | null} */ (null));
  // an answer about one sheet never stands there while another one is asked about
  const hear = async (/** @type {Promise<any>} */ asked) => {
    newest.current = asked;
    setTold(null);
    setBad("");
    try {
      const { words: read, answers } = await asked;
      if (newest.current !== asked) return;
      if (read) setWords(read);
      setTold(answers);
    } catch (error) {
      if (newest.current === asked) setBad(refusalIn(error) || t("needs.server"));
    }
  };
  const find = (/** @type {string} */ text) =>
    hear(ask(`/api/papers/asked?words=${q(text.trim().slice(0, 200))}`));
  const look = (/** @type {File} */ photo) =>
    hear(ask("/api/papers/code", { method: "POST", raw: photo, type: photo.type || "image/jpeg" }));
  return (
    <section class="sheet-asked" aria-label={t("sheet.asked")}>
      <form
        class="inline"
        onSubmit={(event) => {
          event.preventDefault();
          void find(words);
        }}
      >
        <label class="field">
          {t("sheet.asked")}{" "}
          <input
            value={words}
            maxLength={200}
            placeholder={t("sheet.example")}
            onInput={(e) => setWords(e.currentTarget.value)}
          />
        </label>
        <button type="submit" disabled={!words.trim()}>
          {t("sheet.ask")}
        </button>
      </form>
      <div class="actions">
        {READS && (
          <button type="button" aria-expanded={seeing} onClick={() => setSeeing(!seeing)}>
            {t("sheet.read")}
          </button>
        )}
        <PhotoButton text={t("sheet.photo")} onPhoto={look} />
      </div>
      {seeing && (
        <Camera
          close={() => setSeeing(false)}
          read={(text) => {
            setSeeing(false);
            setWords(text);
            void find(text);
          }}
        />
      )}
      <ul class="rows" role="status">
        {told?.map((a) => (
          <li key={a.what}>
            <strong class={a.state === "current" ? "" : "stale-mark"}>
              {t(`sheet.${a.state}`)}
            </strong>{" "}
            {a.what}
            {a.says && <span class="aside"> {a.says}</span>}
          </li>
        ))}
      </ul>
      {bad && (
        <p class="warn" role="alert">
          {bad}
        </p>
      )}
      <p class="aside">
        <a href="/papers.html" target="_blank" rel="noreferrer">
          {t("papers.page")}
        </a>
      </p>
    </section>
  );
}

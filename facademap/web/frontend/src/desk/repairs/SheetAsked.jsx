// Does a sheet in somebody's hand still hold? By its number, or by the code on it read with the camera.
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, q, refusalIn } from "../data/api.js";
import { t } from "../words/texts.js";

const LOOK_MS = 250;
const READS = "BarcodeDetector" in globalThis && Boolean(navigator.mediaDevices?.getUserMedia);

/** What the camera sees, until a code is read in it. */
function Camera({ read, close }) {
  const video = useRef(null);
  const [bad, setBad] = useState("");
  useEffect(() => {
    let stream = null;
    let timer = 0;
    let over = false;
    const stop = () => {
      for (const track of stream?.getTracks() ?? []) track.stop();
    };
    const look = async (detector) => {
      try {
        const [code] = await detector.detect(video.current);
        if (code?.rawValue && !over) return read(code.rawValue);
      } catch {
        // no picture yet
      }
      if (!over) timer = setTimeout(() => void look(detector), LOOK_MS);
    };
    const begin = async () => {
      try {
        const wanted = { video: { facingMode: "environment" } };
        stream = await navigator.mediaDevices.getUserMedia(wanted);
        if (over) return stop();
        video.current.srcObject = stream;
        await video.current.play();
        await look(new globalThis.BarcodeDetector({ formats: ["qr_code"] }));
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
  const [told, setTold] = useState(null);
  const [seeing, setSeeing] = useState(false);
  const [bad, setBad] = useState("");
  const find = async (text) => {
    setBad("");
    try {
      setTold((await ask(`/api/papers/asked?words=${q(text.trim().slice(0, 200))}`)).answers);
    } catch (error) {
      setTold(null);
      setBad(refusalIn(error) || t("needs.server"));
    }
  };
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
        {READS && (
          <button type="button" aria-expanded={seeing} onClick={() => setSeeing(!seeing)}>
            {t("sheet.read")}
          </button>
        )}
      </form>
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

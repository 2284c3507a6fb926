// A photo from the camera or from what is stored on the device, looked at before it is taken on.
import { useRef } from "preact/hooks";
import { notice } from "../data/edits.js";
import { PICTURES, readable } from "../data/photos.js";
import { t } from "../words/texts.js";

/**
 * `onPhoto` gets a file that the server can read; anything else is refused here, in words.
 * @param {{ text: string, onPhoto: (file: File) => void, several?: boolean }} props
 */
export function PhotoButton({ text, onPhoto, several = false }) {
  const file = useRef(/** @type {HTMLInputElement | null} */ (null));
  const open = (/** @type {boolean} */ camera) => {
    if (camera) file.current?.setAttribute("capture", "environment");
    else file.current?.removeAttribute("capture");
    file.current?.click();
  };
  /** @param {import("preact").TargetedEvent<HTMLInputElement>} event */
  const take = async (event) => {
    const box = event.currentTarget;
    for (const picture of [...(box.files ?? [])]) {
      const fault = await readable(picture);
      if (fault) notice.value = { text: t(fault, { name: picture.name }), bad: true };
      else onPhoto(picture);
    }
    box.value = "";
  };
  return (
    <>
      <input
        ref={file}
        type="file"
        accept={PICTURES}
        multiple={several}
        capture="environment"
        class="visually-hidden"
        tabIndex={-1}
        aria-hidden="true"
        onChange={take}
      />
      <button type="button" onClick={() => open(!several)}>
        {text}
      </button>
      {!several && (
        <button type="button" class="quiet stored-photo" onClick={() => open(false)}>
          {t("photo.stored")}
        </button>
      )}
    </>
  );
}

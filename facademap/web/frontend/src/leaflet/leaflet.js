// The map library of the condition map, with its pictures inside, so that the page asks nothing of a network.
import L from "leaflet";
import "leaflet/dist/leaflet.css";
import icon from "leaflet/dist/images/marker-icon.png";
import iconLarge from "leaflet/dist/images/marker-icon-2x.png";
import shadow from "leaflet/dist/images/marker-shadow.png";

// Leaflet looks for a folder of pictures beside its style sheet; there is none, the pictures are here
L.Icon.Default.imagePath = "";
L.Icon.Default.mergeOptions({ iconUrl: icon, iconRetinaUrl: iconLarge, shadowUrl: shadow });
Object.assign(globalThis, { L });

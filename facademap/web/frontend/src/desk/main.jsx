import "./desk.css";
import { render } from "preact";

render(<p>facademap</p>, document.getElementById("desk"));

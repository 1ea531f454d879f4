// The practice page's ear, as an address of its own.
import { ear } from "./ear.js";

ear();

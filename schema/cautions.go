package schema

// Caution is the caution that stands wherever work on a live or charged unit may follow.
const Caution = "Mains voltage and stored charge can kill, even with the plug out. Local codes and licensed practice go before anything here."

// Cautions are the usual cautions of the trade, one line each. They give no limits: local
// codes and licensed practice do. From common practice, no source.
var Cautions = []string{
	"Mains and stored charge: capacitors stay charged after the plug is out; pull it, wait, and measure before you touch.",
	"Discharging: through a resistor and an insulated lead, never with a screwdriver; then measure again.",
	"A series lamp limits current; it does not isolate, and the chassis may still be live.",
	"An isolating transformer protects nobody who touches both sides; it is no licence to work alone.",
	"Valve circuits carry hundreds of volts on leads, caps and the bulb's base, and hold them after switching off.",
	"Leaking batteries: gloves and goggles. Lithium cells: never solder to them, short or charge the ones that are not made for it.",
	"Lead in solder, asbestos in old insulation: no dust, no eating at the bench, and have asbestos taken out by those licensed for it.",
	"Solvents and contact cleaners: fresh air, no flame, no live circuit.",
	"Lifting: two people for anything that one cannot carry with a straight back; fold-out chassis fall shut.",
	"No soak test without somebody in the house, and none in a place where a fire would not be noticed.",
}

package synth

import "benchlore/schema"

func positions(refs schema.Refs, family schema.FamilyName, function string) schema.PositionSet {
	return schema.PositionSet{Ref: refs, Family: family, Function: function}
}

func pool(count int, family schema.FamilyName) schema.PositionSet {
	return schema.PositionSet{Count: count, Family: family}
}

// studyModel is a small unit without pools: 68 positions of seven families.
func studyModel() Model {
	return Model{"longwave-5", schema.Model{
		Maker: "Quillard", Name: "Longwave 5", About: "tape echo unit with four channels", Made: "1968/1982",
		Sections: []schema.Section{
			{Name: "power supply", Board: "LW-P"},
			{Name: "channel", Count: 4, Board: "LW-C"},
			{Name: "panel", Complete: true, Positions: []schema.PositionSet{
				positions("RV1-RV6", "resistor/variable", "levels and tone"),
				positions("S1-S4", "contact/switch", "head selectors"),
			}},
		},
		Boards: []schema.Board{
			{Name: "LW-P", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C6", "capacitor/electrolytic", "rail smoothing"),
				positions("D1-D4", "diode/rectifier", ""),
			}},
			{Name: "LW-C", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C4", "capacitor/tantalum", "coupling"),
				positions("C5-C8", "capacitor/film", "equaliser"),
				positions("Q1-Q4", "transistor/silicon", ""),
			}},
		},
	}}
}

// organModel is a combo organ with a keybed.
func organModel() Model {
	return Model{"astrella-37", schema.Model{
		Maker: "Corvane", Name: "Astrella 37", About: "transistor combo organ, 37 keys", Made: "1968/1982",
		Sections: []schema.Section{
			{Name: "power supply", Board: "AP-1"},
			{Name: "divider", Count: 6, Board: "AD-2"},
			{Name: "preamp", Board: "AA-1"},
			{Name: "keybed", Complete: true, Positions: []schema.PositionSet{
				positions("key:1-37/contact.1-2", "contact/key", "16' and 8' wires"),
				positions("FS1, FS2", "material/felt", "up-stop and down-stop strips"),
				pool(150, "board/joint"),
			}},
			{Name: "tab panel", Complete: true, Positions: []schema.PositionSet{
				positions("S1-S8", "contact/switch", "voices"),
				positions("RV1-RV3", "resistor/variable", "volume, bass, vibrato depth"),
			}},
		},
		Boards: []schema.Board{
			{Name: "AP-1", Revision: "B", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C5", "capacitor/electrolytic", "rail smoothing"),
				positions("D1-D4", "diode/rectifier", ""),
				pool(40, "board/joint"),
			}},
			{Name: "AD-2", Complete: true, Positions: []schema.PositionSet{
				positions("C1, C2", "capacitor/electrolytic", "decoupling"),
				positions("C3-C8", "capacitor/film", "divider coupling"),
				positions("Q1-Q6", "transistor/silicon", "divider"),
			}},
			{Name: "AA-1", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C4", "capacitor/tantalum", "coupling"),
				positions("C5-C10", "capacitor/film", "voicing"),
				positions("Q1-Q4", "transistor/silicon", ""),
			}},
		},
	}}
}

// pianoModel is an electronic piano with a drive for its tremolo.
func pianoModel() Model {
	return Model{"vesper-61", schema.Model{
		Maker: "Tessaly", Name: "Vesper 61", About: "electronic piano with a rotating tremolo, 61 keys", Made: "1970/1982",
		Sections: []schema.Section{
			{Name: "power supply", Board: "VP-4"},
			{Name: "voice", Count: 12, Board: "VV-1"},
			{Name: "mixer", Board: "VM-2"},
			{Name: "keybed", Complete: true, Positions: []schema.PositionSet{
				positions("key:1-61/contact.1", "contact/key", ""),
				positions("FS1-FS4", "material/felt", ""),
			}},
			{Name: "tremolo", Complete: true, Positions: []schema.PositionSet{
				positions("BT1", "mechanism/belt", "rotor"),
				positions("S1", "contact/switch", "speed"),
				positions("RV1", "resistor/variable", "depth"),
			}},
		},
		Boards: []schema.Board{
			{Name: "VP-4", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C8", "capacitor/electrolytic", "rail smoothing"),
				positions("D1-D6", "diode/rectifier", ""),
			}},
			{Name: "VV-1", Complete: true, Positions: []schema.PositionSet{
				positions("C1, C2", "capacitor/tantalum", "envelope"),
				positions("C3-C5", "capacitor/film", "filter"),
				positions("U1", "ic/logic", "divider"),
				pool(24, "board/joint"),
			}},
			{Name: "VM-2", Complete: true, Positions: []schema.PositionSet{
				positions("C1-C6", "capacitor/tantalum", "coupling"),
				positions("Q1-Q8", "transistor/silicon", ""),
				positions("RV1-RV4", "resistor/variable", ""),
			}},
		},
	}}
}

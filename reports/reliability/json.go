package reliability

import (
	"bytes"
	"encoding/json"
	"io"
	"math"

	"benchlore/reports/lifedata"
)

type jsonReliability struct {
	Schema   int         `json:"schema"`
	Estimand string      `json:"estimand"`
	TimeUnit string      `json:"timeUnit"`
	Failure  string      `json:"failure"`
	AsOf     string      `json:"asOf"`
	Silence  Silence     `json:"silence"`
	By       []string    `json:"by"`
	Earlier  jsonEarlier `json:"earlierWork"`
	Groups   []jsonGroup `json:"groups"`
	Notes    []string    `json:"notes"`
}

type jsonGroup struct {
	Key            jsonKey      `json:"key"`
	FirstVisit     jsonFirst    `json:"firstVisit"`
	Units          jsonUnits    `json:"units"`
	WornUnits      *jsonUnits   `json:"unitsFailedOrWorn,omitempty"` // where its normal end is to be worn out
	Parts          jsonParts    `json:"parts"`
	Rate           *jsonRate    `json:"rate"`
	RateRefused    string       `json:"rateRefused"`
	RateBounds     *jsonBounds  `json:"rateBounds"`
	RateEither     *jsonSpan    `json:"rateEitherSilence"`
	RateSystematic *jsonRate    `json:"rateSystematic"`
	EarlierWork    jsonEarlier  `json:"earlierWork"`
	Weibull        *jsonWeibull `json:"weibull"`
	WeibullRefused string       `json:"weibullRefused"`
	Wear           jsonWear     `json:"wear"`
	Rank           *jsonRank    `json:"rank"`
	Curve          []jsonPoint  `json:"curve"`
}

type jsonWeibull struct {
	Shape     *jsonNumber `json:"shape"`
	ShapeLow  *jsonNumber `json:"shapeLow"`
	ShapeHigh *jsonNumber `json:"shapeHigh"`
	Scale     *jsonNumber `json:"scale"`
	ScaleLow  *jsonNumber `json:"scaleLow"`
	ScaleHigh *jsonNumber `json:"scaleHigh"`
	LogLik    *jsonNumber `json:"logLik"`
	B10       *jsonNumber `json:"b10"`
	PShape1   *jsonNumber `json:"pShape1"`
}

// jsonEarlier is how many units others had worked on before they first came.
type jsonEarlier struct {
	Units  int `json:"units"`
	Of     int `json:"of"`
	Looked int `json:"lookedIn,omitempty"` // units in which somebody looked for that
}

type jsonFirst struct {
	Units  jsonUnits   `json:"units"`
	Worn   *jsonUnits  `json:"unitsFailedOrWorn,omitempty"`
	Tested int         `json:"tested"`
	Failed int         `json:"failed"`
	Share  *jsonNumber `json:"share"`
	Low    *jsonNumber `json:"low"`
	High   *jsonNumber `json:"high"`
}

type jsonBounds struct {
	Low     *jsonNumber `json:"low"`
	Middle  *jsonNumber `json:"middle"`
	High    *jsonNumber `json:"high"` // null: no upper limit
	LeftOut int         `json:"leftOut"`
}

type jsonSpan struct {
	Low  *jsonNumber `json:"low"`
	High *jsonNumber `json:"high"`
}

type jsonWear struct {
	Verdict      WearVerdict  `json:"verdict"`
	Reasons      []string     `json:"reasons"`
	B10          *jsonNumber  `json:"b10"`
	B10Low       *jsonNumber  `json:"b10Low"`
	B10High      *jsonNumber  `json:"b10High"`
	UnitsLeftOut int          `json:"unitsLeftOut"`
	Bracket      *jsonBracket `json:"failedByAge"` // where degraded parts were taken out
}

type jsonBracket struct {
	Age    *jsonNumber `json:"age"`
	Low    *jsonNumber `json:"low"`
	High   *jsonNumber `json:"high"`
	Taken  int         `json:"takenOut"`
	Failed int         `json:"failed"`
}

type jsonRank struct {
	Mean      *jsonNumber `json:"mean"`
	Low       *jsonNumber `json:"low"`
	High      *jsonNumber `json:"high"`
	ProbWorst *jsonNumber `json:"probWorst"`
}

type jsonPoint struct {
	Time     *jsonNumber `json:"time"`
	Survival *jsonNumber `json:"survival"`
	Low      *jsonNumber `json:"low"`
	High     *jsonNumber `json:"high"`
}

type jsonUnits struct {
	Inspected int         `json:"inspected"`
	Affected  int         `json:"affected"`
	Share     *jsonNumber `json:"share"`
	Low       *jsonNumber `json:"low"`
	High      *jsonNumber `json:"high"`
}

type jsonParts struct {
	Handled      int         `json:"handled"`
	Tested       int         `json:"tested"`
	InService    int         `json:"inService"`
	Untested     int         `json:"untested"`
	Failed       int         `json:"failed"`
	Degraded     int         `json:"degraded"`
	Secondary    int         `json:"secondary"`
	External     int         `json:"external"`
	LeftOut      int         `json:"leftOut"`
	Worn         int         `json:"failedOrDegraded"`
	Share        *jsonNumber `json:"share"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	DesignEffect *jsonNumber `json:"designEffect"`
}

type jsonRate struct {
	Events       int         `json:"events"`
	PerYear      *jsonNumber `json:"perYear"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	Method       string      `json:"method"`
	LeftCensored *jsonNumber `json:"leftCensored"`
}

// jsonKey keeps the order the keys were asked for.
type jsonKey []KeyPart

func (k jsonKey) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, p := range k {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(p.Name)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(p.Value)
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// jsonNumber is written with all the digits it has.
type jsonNumber float64

// finite gives null for what is not a finite number.
func finite(v float64) *jsonNumber {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	n := jsonNumber(v)
	return &n
}

func (s Share) limits() lifedata.Interval {
	if s.Interval == nil {
		return lifedata.Interval{Low: math.NaN(), High: math.NaN()}
	}
	return *s.Interval
}

func (u UnitShare) json() jsonUnits {
	j := jsonUnits{Inspected: u.Inspected, Affected: u.Affected}
	if u.Inspected > 0 {
		j.Share, j.Low, j.High = finite(u.Share), finite(u.Interval.Low), finite(u.Interval.High)
	}
	return j
}

func (f FirstVisit) json() jsonFirst {
	j := jsonFirst{Units: f.Units.json(), Tested: f.Tested, Failed: f.Failed}
	if f.Tested > 0 {
		l := f.OfTested.limits()
		j.Share, j.Low, j.High = finite(f.OfTested.Share), finite(l.Low), finite(l.High)
	}
	return j
}

func (r *Rate) json() *jsonRate {
	if r == nil {
		return nil
	}
	return &jsonRate{Events: r.Events, PerYear: finite(r.PerYear), Low: finite(r.Low), High: finite(r.High),
		Method: string(r.Method), LeftCensored: finite(r.LeftCensored)}
}

func (r *Report) jsonEither(g Group) *jsonSpan {
	e, ok := r.EitherRate(g)
	if !ok {
		return nil
	}
	return &jsonSpan{finite(e.Low), finite(e.High)}
}

func (r *Report) jsonWear(g Group) jsonWear {
	w := g.Life[r.Silence].Wear
	j := jsonWear{UnitsLeftOut: w.Dropped}
	j.Verdict, j.Reasons = r.Verdict(g)
	if j.Reasons == nil {
		j.Reasons = []string{}
	}
	if w.Fit != nil {
		j.B10, j.B10Low, j.B10High = finite(w.B10), finite(w.Tenth.Low), finite(w.Tenth.High)
	}
	if b := w.Bracket; b != nil {
		j.Bracket = &jsonBracket{finite(b.Age), finite(b.Low), finite(b.High), b.Taken, b.Failed}
	}
	return j
}

// WriteJSON writes the report as JSON, with the reading of silence that was
// asked for. Shares and limits are null where there is nothing to take them
// from; a rate, a life and a rank are null where they were refused, and a curve
// is empty.
func (r *Report) WriteJSON(w io.Writer) error {
	out := jsonReliability{Schema: 1, Estimand: Estimand, TimeUnit: string(r.Time), Failure: string(r.Failure), Silence: r.Silence,
		By: r.By, Earlier: jsonEarlier{r.Worked, r.Units, r.Looked}, Groups: []jsonGroup{}, Notes: r.Notes}
	if !r.AsOf.IsZero() {
		out.AsOf = r.AsOf.String()
	}
	for _, g := range r.Groups {
		u, p := g.Units, g.Parts
		e := g.Life[r.Silence]
		j := jsonGroup{Key: g.Key, RateRefused: e.RateRefused, WeibullRefused: e.WeibullRefused, Curve: []jsonPoint{},
			Units: u.json(), RateEither: r.jsonEither(g), EarlierWork: jsonEarlier{Units: g.EarlierUnits, Of: g.AllUnits},
			FirstVisit: g.First.json(), Wear: r.jsonWear(g), RateSystematic: e.Free.json(),
			Parts: jsonParts{Handled: p.Handled, Tested: p.Tested, InService: p.InService, Untested: p.Untested, Failed: p.Failed,
				Degraded: p.Degraded, Secondary: p.Secondary, External: p.External, LeftOut: p.LeftOut, Worn: p.Worn}}
		if g.WornEnd {
			worn, first := g.WornUnits.json(), g.First.Worn.json()
			j.WornUnits, j.FirstVisit.Worn = &worn, &first
		}
		if x := e.Bounds; x != nil {
			j.RateBounds = &jsonBounds{finite(x.Low), finite(x.Middle), finite(x.High), x.LeftOut}
		}
		if p.Handled > 0 {
			l := p.OfHandled.limits()
			j.Parts.Share, j.Parts.Low, j.Parts.High = finite(p.OfHandled.Share), finite(l.Low), finite(l.High)
			j.Parts.DesignEffect = finite(p.OfHandled.DesignEffect)
		}
		j.Rate = e.Rate.json()
		if w := e.Weibull; w != nil {
			j.Weibull = &jsonWeibull{Shape: finite(w.Shape), ShapeLow: finite(w.ShapeWald.Low), ShapeHigh: finite(w.ShapeWald.High),
				Scale: finite(w.Scale), ScaleLow: finite(w.ScaleWald.Low), ScaleHigh: finite(w.ScaleWald.High),
				LogLik: finite(w.LogLik), B10: finite(w.Quantile(0.1).Value), PShape1: finite(w.PShape1)}
		}
		if k := e.Rank; k != nil {
			j.Rank = &jsonRank{Mean: finite(k.Mean), Low: finite(k.Low), High: finite(k.High), ProbWorst: finite(k.ProbWorst)}
		}
		if e.Curve != nil {
			for _, p := range e.Curve.Points {
				j.Curve = append(j.Curve, jsonPoint{finite(p.Time), finite(p.Survival), finite(p.Low), finite(p.High)})
			}
		}
		out.Groups = append(out.Groups, j)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}

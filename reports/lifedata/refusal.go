package lifedata

import "fmt"

// Refusal says in plain words why the data do not carry an estimate. It is
// the error of every estimator that was given valid data and no more than
// that; errors of any other type mean that the arguments were wrong.
type Refusal struct {
	Reason string
}

func (r *Refusal) Error() string { return r.Reason }

func refuse(format string, args ...any) error {
	return &Refusal{fmt.Sprintf(format, args...)}
}

// Package lifedata estimates failure rates, life distributions and survival
// from observations of lifetimes, and proportions from counts, each with its
// confidence limits.
//
// It knows nothing of records or instruments: callers hand it numbers and get
// numbers back. Time and exposure are in whatever unit the caller counts in
// (component-years, meter hours); a rate is per one of that unit.
//
// An [Obs] is what is known of one lifetime, or of several alike: the age at
// failure, exactly or between two ages, or that there was none, from the age
// at which it came under observation. Observations of one unit are not
// independent, and the estimates say by how much.
//
// # Where to start
//
// [ReadObs] reads observations from a CSV file. With them, ask [EstimateRate]
// for the failure rate, [FitWeibull] whether it rises with age, and, for a
// curve that assumes no distribution, [KaplanMeier] where every age at failure
// is known, else [Turnbull]. For shares, start with [Wilson] where every unit
// counts once, and with [EstimateRatio] where a unit holds several parts. Each
// has an example with published data.
//
//	constant rate     [EstimateRate], [FitExponential]
//	wear              [FitWeibull]
//	survival curves   [KaplanMeier], [Turnbull]
//	recurrences       [MeanCumulative]
//	ranking           [RankFamilies]
//	comparison        [CompareHazards], [LogRank], [BenjaminiHochberg]
//	counts            [Wilson], [ClopperPearson], [Garwood], [EstimateRatio]
//	decisions         [NewAgePolicy], [ConditionalFailure]
//
// # What is left out on purpose
//
//   - Other distributions of life. Few sets of repair data tell a lognormal
//     from a Weibull, and choosing the better fit makes its limits too narrow.
//   - Regression on covariates. [CompareHazards] tells groups apart; more
//     needs more failures than one workshop sees.
//   - Competing causes of failure. A failure of another cause ends the
//     observation; what is estimated is if nothing else removed the part.
//   - Exact tests for counts (Fisher's, or of two Poisson counts). They take
//     the parts of one unit for independent; [CompareHazards] does not.
//   - Turnbull's curve with delayed entry, which need not be unique. A Weibull
//     fit takes delayed entry.
//   - Prior opinions. Only [RankFamilies] has a prior, estimated from the data.
//
// # Conventions
//
// A confidence level is a probability strictly between 0 and 1, such as 0.95.
// Two-sided limits leave (1−level)/2 in each tail; one-sided limits leave all
// of 1−level in the one tail they bound.
//
// Estimators refuse data that do not carry an estimate: the error is then a
// [*Refusal], whose text says why in words for the reader of a report. Any
// other error says that an argument was wrong. Functions that return bare
// numbers answer arguments outside their domain with NaN.
//
// The tests compare with R and its package survival, with published tables,
// and with simulation; testdata/reference holds the values and says where each
// comes from.
package lifedata

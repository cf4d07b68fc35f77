// Package lifedata estimates failure rates, life distributions and survival
// from observations of lifetimes, and proportions and rates from counts, each
// with its confidence limits.
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
//	constant rate     [EstimateRate], [FitExponential]
//	wear              [FitWeibull]
//	survival curves   [KaplanMeier], [Turnbull]
//	recurrences       [MeanCumulative]
//	ranking           [RankFamilies], [GammaPoisson]
//	comparison        [CompareHazards], [LogRank], [CompareRates],
//	                  [FisherExact], [BenjaminiHochberg]
//	counts            [Wilson], [ClopperPearson], [Garwood], [ExactRate],
//	                  [MTBFLimits], [EstimateRatio]
//	decisions         [NewAgePolicy], [ConditionalFailure]
//
// A confidence level is a probability strictly between 0 and 1, such as 0.95.
// Two-sided limits leave (1−level)/2 in each tail; one-sided limits leave all
// of 1−level in the one tail they bound.
//
// Estimators refuse data that do not carry an estimate: the error is then a
// [*Refusal], whose text says why in words for the reader of a report. Any
// other error says that an argument was wrong. Functions that return bare
// numbers answer arguments outside their domain with NaN.
package lifedata

# Makes the values for delayed entry, unit-clustered variance and comparison
# under interval censoring: Rscript make_entry.R, in this folder.
# R >= 4.2 with package survival; nothing else.
library(survival)
num <- function(x) ifelse(is.na(x) | !is.finite(x), "null", formatC(x, digits = 15, format = "g", width = 1))
obj <- function(...) { v <- c(...); paste0("{", paste0('"', names(v), '": ', v, collapse = ", "), "}") }
rows <- function(d) paste0("[", paste(apply(sapply(d, num), 1, function(r) do.call(obj, as.list(r))), collapse = ",\n      "), "]")
csv <- function(d, f) write.csv(d, f, row.names = FALSE, quote = FALSE, na = "")

## ---- data
set.seed(211)                                   # exact and right-censored, half entering late, two groups
n <- 90; g <- rep(c("A", "B"), each = n / 2); d <- NULL
while (sum(!is.na(d$unit)) < n) {
  i <- if (is.null(d)) 1 else nrow(d) + 1
  t <- round(rweibull(1, 1.6, ifelse(g[i] == "A", 30, 42)), 3) + 0.001; c <- round(runif(1, 10, 50), 3)
  e <- if (runif(1) < 0.5) round(runif(1, 0, 20), 3) else 0
  if (min(t, c) > e) d <- rbind(d, data.frame(unit = sprintf("u%03d", i), group = g[i], entry = e, lower = min(t, c), upper = ifelse(t <= c, t, NA), count = 1))
}
csv(d, "syn_entry1.csv")
set.seed(212); m <- NULL                        # intervals with late entry
while (length(m$unit) < 80) {
  t <- rweibull(1, 1.8, 35); e <- if (runif(1) < 0.6) round(runif(1, 0, 25), 1) else 0
  v <- sort(unique(round(runif(3, 1, 60), 1))); v <- v[v > e]; if (t <= e || !length(v)) next
  lo <- max(c(e, v[v < t])); up <- v[v >= t]
  k <- runif(1)
  r <- if (k < 0.25 && t < max(v)) c(round(t, 3), round(t, 3)) else c(lo, if (length(up)) up[1] else NA)
  if (!is.na(r[2]) && r[2] <= e) next
  m <- rbind(m, data.frame(unit = sprintf("u%03d", length(m$unit) + 1), group = "all", entry = e, lower = r[1], upper = r[2], count = sample(1:2, 1)))
}
csv(m, "syn_entry2.csv")
set.seed(213); cl <- NULL                       # several components to a unit, units that differ, three groups
for (i in 1:24) {
  f <- rgamma(1, 2, 2); gr <- c("A", "B", "C")[i %% 3 + 1]; k <- sample(3:9, 1); at <- round(runif(1, 15, 45), 1); seen <- round(at * runif(1, 0.3, 0.8), 1)
  for (j in 1:k) {
    t <- rweibull(1, 1.5, c(A = 40, B = 60, C = 35)[gr]) / f^(1 / 1.5)
    r <- if (t > at) c(at, NA) else if (j %% 3 == 0) rep(round(t, 3) + 0.001, 2) else if (t > seen) c(seen, at) else c(NA, seen)
    cl <- rbind(cl, data.frame(unit = sprintf("u%02d", i), group = gr, entry = NA, lower = r[1], upper = r[2], count = 1))
  }
}
csv(cl, "syn_cluster.csv")

## ---- Kaplan-Meier
st <- as.integer(!is.na(d$upper))
six <- data.frame(unit = paste0("p", 1:6), group = "all", entry = c(2, 5, 3, 3, 2, 5), lower = c(9, 11, 9, 8, 4, 9), upper = c(NA, 11, NA, NA, 4, 9), count = 1)
csv(six, "six_patients.csv")
km_of <- function(d) {
  f <- survfit(Surv(d$entry, d$lower, as.integer(!is.na(d$upper))) ~ 1, conf.type = "log-log", conf.int = 0.95); e <- f$n.event > 0
  data.frame(time = f$time[e], n_risk = f$n.risk[e], n_event = f$n.event[e], survival = f$surv[e],
             se_survival = ifelse(f$surv[e] > 0, f$surv[e] * f$std.err[e], NA), lower = f$lower[e], upper = f$upper[e])
}
## ---- log-rank: no ties, so the score test of the Cox model is the log-rank test
stopifnot(!anyDuplicated(d$lower[st == 1]))
lr <- summary(coxph(Surv(d$entry, d$lower, st) ~ d$group))$sctest
## ---- constant rate: failures over time at risk
ex <- sum(d$lower - d$entry); rate <- sum(st) / ex
## ---- Weibull with delayed entry: the likelihood written out, maximised by Newton's method on numeric derivatives of nlm's start
llrow <- function(th, m) {
  H <- function(t) ifelse(t <= 0, 0, (t / exp(th[1]))^exp(th[2])); s <- pmax(m$lower, m$entry); k <- exp(th[2])
  v <- ifelse(is.na(m$upper), -H(s), ifelse(m$lower == m$upper, log(k) - th[1] + (k - 1) * (log(s) - th[1]) - H(s), -H(s) + log(-expm1(-(H(ifelse(is.na(m$upper), s, m$upper)) - H(s))))))
  m$count * (v + H(m$entry))
}
ll <- function(th, m) sum(llrow(th, m))
wfit <- function(m) {
  o <- optim(c(log(40), 0.3), function(th) -ll(th, m), method = "BFGS", control = list(reltol = 1e-16, maxit = 1000))
  o <- optim(o$par, function(th) -ll(th, m), method = "Nelder-Mead", control = list(reltol = 1e-16, maxit = 5000))
  V <- solve(optimHess(o$par, function(th) -ll(th, m), control = list(ndeps = c(1e-4, 1e-4))))
  q <- qchisq(0.95, 1) / 2
  prof <- function(i, x) { r <- optimize(function(y) { th <- numeric(2); th[i] <- x; th[3 - i] <- y; ll(th, m) }, o$par[3 - i] + c(-3, 3), maximum = TRUE, tol = 1e-10); r$objective + o$value + q }
  end <- function(i, s) exp(uniroot(function(x) prof(i, x), sort(c(o$par[i], o$par[i] + s * 6 * sqrt(V[i, i]))), tol = 1e-11)$root)
  data.frame(shape = exp(o$par[2]), scale = exp(o$par[1]), loglik = -o$value, se_log_shape = sqrt(V[2, 2]), se_log_scale = sqrt(V[1, 1]),
    shape_lower = end(2, -1), shape_upper = end(2, 1), scale_lower = end(1, -1), scale_upper = end(1, 1))
}
w2 <- wfit(m)
efit <- function(m) { o <- optimize(function(a) ll(c(-a, 0), m), c(-8, 0), maximum = TRUE, tol = 1e-12); c(exp(o$maximum), o$objective) }
e2 <- efit(m)
## ---- clusters: survreg's sandwich has no factor G/(G-1)
y <- Surv(cl$lower, cl$upper, type = "interval2"); ctl <- survreg.control(rel.tolerance = 1e-12, maxiter = 200)
G <- length(unique(cl$unit)); fac <- sqrt(G / (G - 1))
se <- survreg(y ~ 1, dist = "exponential", cluster = cl$unit, robust = TRUE, control = ctl)
sw <- survreg(y ~ 1, dist = "weibull", cluster = cl$unit, robust = TRUE, control = ctl)
# the sandwich of a Weibull fit by hand: the residuals of survreg 3.5.3 for interval-censored rows are not the derivatives of
# their likelihood by log(scale); those here are central differences
cz <- transform(cl, lower = ifelse(is.na(lower), 0, lower), entry = 0); tw <- c(coef(sw), -log(sw$scale)); h <- 1e-5
u <- sapply(1:2, function(i) { e <- replace(c(0, 0), i, h); (llrow(tw + e, cz) - llrow(tw - e, cz)) / (2 * h) })
stopifnot(abs(colSums(u)) < 1e-6); J <- diag(c(1, -1)) %*% sw$naive.var %*% diag(c(1, -1))
swr <- sqrt((J %*% crossprod(rowsum(u, cl$unit)) %*% J)[2, 2])
z <- function(f1, f0) 2 * (f1$loglik[2] - f0$loglik[2])
lw <- z(survreg(y ~ cl$group, dist = "weibull", control = ctl), sw); le <- z(survreg(y ~ cl$group, dist = "exponential", control = ctl), se)
tq <- qt(0.975, G - 1)

case <- function(id, description, inputs, outputs, r, rel, source = "none: computed here, no published value", published = "") paste0('    {"id": "', id, '", "description": "', description, '",\n     "inputs": ', inputs, ',\n     "outputs": ', outputs,
  ',\n     "r": "', r, '",\n     "source": "', source, '",', published, '\n     "tolerance": {"rel": ', rel, ', "abs": 1e-12}}')
in1 <- '{"kind": "%s", "dataset": "%s", "group": "*", "level": 0.95}'
cases <- c(
  case("L1", "Kaplan-Meier, half enter late", sprintf(in1, "kaplan_meier", "syn_entry1.csv"), paste0('{"table": ', rows(km_of(d)), "}"), "survfit(Surv(entry,time,event)~1,conf.type='log-log')", "1e-8"),
  case("L2", "log-rank test, half enter late, no ties", sprintf(in1, "logrank", "syn_entry1.csv"), obj(chisq = num(lr[[1]]), df = num(lr[[2]]), p = num(lr[[3]])), "summary(coxph(Surv(entry,time,event)~group))$sctest", "1e-8"),
  case("L3", "constant rate, exact ages, half enter late", sprintf(in1, "exponential", "syn_entry1.csv"), obj(rate = num(rate), loglik = num(sum(st) * log(rate) - sum(st)), se_log_rate = num(1 / sqrt(sum(st)))), "sum(event)/sum(time-entry)", "1e-8"),
  case("L4", "Weibull, all kinds of censoring, late entry", sprintf(in1, "weibull", "syn_entry2.csv"), do.call(obj, as.list(sapply(w2, num))), "likelihood written out (ll in make_entry.R), optim; profile limits by optimize and uniroot", "2e-5"),
  case("L5", "constant rate, all kinds of censoring, late entry", sprintf(in1, "exponential", "syn_entry2.csv"), obj(rate = num(e2[1]), loglik = num(e2[2])), "optimize on ll in make_entry.R", "1e-6"),
  case("L6", "constant rate, unit-clustered", sprintf(in1, "exponential", "syn_cluster.csv"), obj(rate = num(exp(-coef(se)[[1]])), se_robust = num(fac * sqrt(se$var[1, 1])), robust_lower = num(exp(-coef(se)[[1]] - tq * fac * sqrt(se$var[1, 1]))), robust_upper = num(exp(-coef(se)[[1]] + tq * fac * sqrt(se$var[1, 1])))), "survreg(y~1,dist='exponential',cluster=unit,robust=TRUE), times sqrt(G/(G-1)), qt(.975,G-1)", "1e-7"),
  case("L7", "Weibull, unit-clustered", sprintf(in1, "weibull", "syn_cluster.csv"), obj(shape = num(1 / sw$scale), scale = num(exp(coef(sw)[[1]])), robust_shape_lower = num(exp(-log(sw$scale) - tq * fac * swr)), robust_shape_upper = num(exp(-log(sw$scale) + tq * fac * swr))), "survreg(y~1,dist='weibull'); sandwich from numeric scores in make_entry.R, as L6", "1e-7"),
  case("L8", "three groups, likelihood ratio, common Weibull shape", sprintf(in1, "weibull_groups", "syn_cluster.csv"), obj(lr = num(lw), df = 2, p_independent = num(pchisq(lw, 2, lower.tail = FALSE))), "survreg(y~group,dist='weibull') against y~1", "1e-7"),
  case("L9", "three groups, likelihood ratio, constant rates", sprintf(in1, "constant_groups", "syn_cluster.csv"), obj(lr = num(le), df = 2, p_independent = num(pchisq(le, 2, lower.tail = FALSE))), "survreg(y~group,dist='exponential') against y~1", "1e-7"),
  case("L10", "Kaplan-Meier, six patients who enter late", sprintf(in1, "kaplan_meier", "six_patients.csv"), paste0('{"table": ', rows(km_of(six)), "}"), "as L1", "1e-8",
       "Moore (2016), Applied Survival Analysis Using R, section 3.5, left truncation: ages from the book's published code (seen), printed values from memory",
       '\n     "published": {"survival": [0.750, 0.562, 0.000], "se_survival": [0.217, 0.230]},'))
writeLines(paste0('{\n  "topic": "L", "title": "Delayed entry, clusters, comparison under interval censoring",\n  "r_version": "', R.version$major, ".", R.version$minor, '", "survival_version": "', packageVersion("survival"),
  '",\n  "conventions": ["All contributions are divided by S(entry); a lower below entry counts as entry.", "Robust limits: exp(log estimate -+ qt(.975,G-1)*se), se = survreg sandwich times sqrt(G/(G-1)), G units."],\n  "cases": [\n', paste(cases, collapse = ",\n"), "\n  ]\n}"), "L_entry.json")

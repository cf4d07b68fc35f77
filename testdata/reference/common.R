# common.R -- helper functions of make.R.
# Contains no data sets and no expected values, only the estimators and the
# JSON/CSV writers.  R >= 4.2, packages: survival, jsonlite, quadprog.
suppressPackageStartupMessages({ library(survival); library(jsonlite) })

VERS <- list(R = paste(R.version$major, R.version$minor, sep = "."),
             survival = as.character(packageVersion("survival")))
NOSRC <- "none: computed here, no published value"

## ---------------------------------------------------------------- writers
num15 <- function(x) ifelse(is.na(x), "", formatC(x, digits = 15, format = "g", width = 1))
write_life <- function(df, path) {           # unit,group,lower,upper,count
  o <- data.frame(unit = df$unit, group = df$group, lower = num15(df$lower),
                  upper = num15(df$upper), count = num15(df$count))
  write.csv(o, path, row.names = FALSE, quote = FALSE)
  invisible(path)
}
read_life <- function(path, group = NULL) {
  d <- read.csv(path, colClasses = c("character", "character", rep("numeric", 3)))
  if (!is.null(group)) d <- d[d$group %in% group, ]
  d
}
life <- function(lower, upper, count = rep(1, length(lower)), group = "all", unit = NULL) {
  n <- length(lower)
  if (is.null(unit)) unit <- sprintf("u%03d", seq_len(n))
  data.frame(unit = unit, group = rep_len(as.character(group), n),
             lower = lower, upper = upper, count = count)
}
# right-censored (time,status) -> life format
life_rc <- function(time, status, count = rep(1, length(time)), group = "all", unit = NULL)
  life(time, ifelse(status == 1, time, NA), count, group, unit)
write_tab <- function(df, path) {
  for (j in seq_along(df)) if (is.numeric(df[[j]])) df[[j]] <- num15(df[[j]])
  write.csv(df, path, row.names = FALSE, quote = FALSE)
}
case <- function(id, description, inputs, outputs, r, source = NOSRC, published = NULL,
                 tol_rel = 1e-8, tol_abs = 1e-12, notes = NULL, check = NULL) {
  x <- list(id = id, description = description, inputs = inputs, outputs = outputs, r = r,
            source = source)
  if (!is.null(published)) x$published <- published
  x$tolerance <- list(rel = tol_rel, abs = tol_abs)
  if (!is.null(notes)) x$notes <- I(notes)
  if (!is.null(check)) x$check <- check
  x
}
clean <- function(x) {     # Inf/NaN -> NA (written as null), recursively
  if (is.data.frame(x)) { x[] <- lapply(x, clean); return(x) }
  if (is.list(x)) return(lapply(x, clean))
  if (is.numeric(x)) x[!is.finite(x)] <- NA
  x
}
write_topic <- function(dir, file, topic, title, conventions, cases) {
  ids <- vapply(cases, `[[`, "", "id"); stopifnot(!anyDuplicated(ids))
  o <- list(topic = topic, title = title, r_version = VERS$R,
            survival_version = VERS$survival, conventions = I(conventions),
            cases = lapply(cases, clean))
  txt <- toJSON(o, auto_unbox = TRUE, digits = NA, pretty = TRUE, null = "null", na = "null")
  writeLines(txt, file.path(dir, file))
  cat(sprintf("%-28s %2d cases\n", file, length(cases)))
}
relmax <- function(a, b) max(abs(a - b) / pmax(abs(b), 1e-300))

## ---------------------------------------------------------------- A binomial
wilson <- function(x, n, level) {
  z <- qnorm(1 - (1 - level) / 2); p <- x / n
  mid <- (p + z^2 / (2 * n)) / (1 + z^2 / n)
  half <- z * sqrt(p * (1 - p) / n + z^2 / (4 * n^2)) / (1 + z^2 / n)
  ci <- c(mid - half, mid + half)
  if (x == 0) ci[1] <- 0
  if (x == n) ci[2] <- 1
  ci
}
case_binom <- function(id, x, n, level, source = NOSRC, published = NULL, notes = NULL) {
  cp <- as.numeric(binom.test(x, n, conf.level = level)$conf.int)
  w <- wilson(x, n, level)
  suppressWarnings(wr <- as.numeric(prop.test(x, n, conf.level = level, correct = FALSE)$conf.int))
  stopifnot(max(abs(w - wr)) < 1e-13)
  case(id, sprintf("%d/%d, %g%% two-sided", x, n, 100 * level),
       list(x = x, n = n, level = level),
       list(estimate = x / n, clopper_pearson_lower = cp[1], clopper_pearson_upper = cp[2],
            wilson_lower = w[1], wilson_upper = w[2],
            cp_onesided_lower = as.numeric(binom.test(x, n, alternative = "greater", conf.level = level)$conf.int)[1],
            cp_onesided_upper = as.numeric(binom.test(x, n, alternative = "less", conf.level = level)$conf.int)[2]),
       sprintf("binom.test(%d,%d,conf.level=%g)$conf.int; prop.test(%d,%d,conf.level=%g,correct=FALSE)$conf.int; one-sided: binom.test(%d,%d,alternative='greater'|'less',conf.level=%g)",
               x, n, level, x, n, level, x, n, level),
       source, published, notes = notes)
}

## ---------------------------------------------------------------- B Poisson / MTBF
case_pois1 <- function(id, x, T, level, source = NOSRC, published = NULL, notes = NULL) {
  pt <- poisson.test(x, T, conf.level = level)
  a <- 1 - level
  ci <- c(if (x == 0) 0 else qchisq(a / 2, 2 * x) / 2 / T, qchisq(1 - a / 2, 2 * x + 2) / 2 / T)
  stopifnot(max(abs(ci - as.numeric(pt$conf.int))) <= 1e-12 * max(ci))
  case(id, sprintf("one-sample rate: %d events in exposure %s, %g%%", x, format(T, digits = 15), 100 * level),
       list(kind = "one_sample", events = x, exposure = T, level = level),
       list(rate = x / T, lower = ci[1], upper = ci[2],
            onesided_lower = if (x == 0) 0 else qchisq(a, 2 * x) / 2 / T,
            onesided_upper = qchisq(1 - a, 2 * x + 2) / 2 / T),
       sprintf("poisson.test(%d,%s,conf.level=%g)$conf.int; onesided_upper: qchisq(%g,2*x+2)/2/T; onesided_lower: qchisq(1-%g,2*x)/2/T", x, format(T, digits = 15), level, level, level),
       source, published, notes = notes)
}
case_mtbf <- function(id, r, T, level, truncation = c("time", "failure"), source = NOSRC, published = NULL, notes = NULL) {
  truncation <- match.arg(truncation); a <- 1 - level
  dfl <- if (truncation == "time") 2 * r + 2 else 2 * r
  case(id, sprintf("MTBF chi-square bounds, %s-truncated, r=%d, T=%s, %g%%", truncation, r, format(T, digits = 15), 100 * level),
       list(kind = "mtbf", failures = r, total_time = T, level = level, truncation = truncation),
       list(mtbf = if (r == 0) NA else T / r,
            lower_two_sided = 2 * T / qchisq(1 - a / 2, dfl),
            upper_two_sided = if (r == 0) NA else 2 * T / qchisq(a / 2, 2 * r),
            lower_one_sided = 2 * T / qchisq(1 - a, dfl),
            upper_one_sided = if (r == 0) NA else 2 * T / qchisq(a, 2 * r)),
       sprintf("2*T/qchisq(1-alpha/2,%d); 2*T/qchisq(alpha/2,%d); one-sided with alpha in place of alpha/2; alpha=1-%g", dfl, 2 * r, level),
       source, published, notes = notes)
}

## ---------------------------------------------------------------- C exponential
kinds <- function(d) {
  ex <- !is.na(d$lower) & !is.na(d$upper) & d$lower == d$upper
  list(ex = ex, rc = is.na(d$upper), lc = is.na(d$lower),
       ic = !is.na(d$lower) & !is.na(d$upper) & d$lower < d$upper)
}
ce_ex <- deriv3(~ a - exp(a) * t, "a", function(a, t) NULL)
ce_rc <- deriv3(~ -exp(a) * t, "a", function(a, t) NULL)
ce_lc <- deriv3(~ log(-expm1(-exp(a) * t)), "a", function(a, t) NULL)
ce_ic <- deriv3(~ -exp(a) * l + log(-expm1(-exp(a) * (u - l))), "a", function(a, l, u) NULL)
exp_ll <- function(a, d, k = kinds(d)) {   # list(value, score, info) in a = log(rate)
  acc <- c(0, 0, 0)
  add <- function(v, w) acc <<- acc + c(sum(w * v), sum(w * attr(v, "gradient")), sum(w * attr(v, "hessian")))
  if (any(k$ex)) add(ce_ex(a, d$lower[k$ex]), d$count[k$ex])
  if (any(k$rc)) add(ce_rc(a, d$lower[k$rc]), d$count[k$rc])
  if (any(k$lc)) add(ce_lc(a, d$upper[k$lc]), d$count[k$lc])
  if (any(k$ic)) add(ce_ic(a, d$lower[k$ic], d$upper[k$ic]), d$count[k$ic])
  list(value = acc[1], score = acc[2], info = -acc[3])
}
SRC_CTL <- survreg.control(rel.tolerance = 1e-14, maxiter = 1000, outer.max = 50)
exp_fit <- function(d, level = 0.95) {
  k <- kinds(d); z <- qnorm(1 - (1 - level) / 2); q <- qchisq(level, 1)
  nf <- sum(d$count[!k$rc])
  if (nf == 0) {
    T <- sum(d$count * d$lower)
    return(list(rate = 0, mean = NA, loglik = 0, se_log_rate = NA, wald_lower = NA, wald_upper = NA,
                lr_lower = 0, lr_upper = q / (2 * T), n_units = sum(d$count), n_not_right_censored = 0))
  }
  sr <- survreg(Surv(lower, upper, type = "interval2") ~ 1, data = d, weights = count,
                dist = "exponential", control = SRC_CTL)
  a <- -unname(coef(sr))
  for (i in 1:50) { f <- exp_ll(a, d, k); s <- f$score / f$info; a <- a + s; if (abs(s) < 1e-15 * max(1, abs(a))) break }
  f <- exp_ll(a, d, k); se <- 1 / sqrt(f$info)
  g <- function(b) 2 * (f$value - exp_ll(b, d, k)$value) - q
  lo <- uniroot(g, c(a - 12 * se - 5, a), tol = 1e-15, maxiter = 2000)$root
  hi <- uniroot(g, c(a, a + 12 * se + 5), tol = 1e-15, maxiter = 2000)$root
  list(rate = exp(a), mean = exp(-a), loglik = f$value, se_log_rate = se,
       wald_lower = exp(a - z * se), wald_upper = exp(a + z * se),
       lr_lower = exp(lo), lr_upper = exp(hi), n_units = sum(d$count), n_not_right_censored = nf,
       .chk = list(survreg_rate_reldiff = abs(exp(-unname(coef(sr))) / exp(a) - 1),
                   survreg_se_reldiff = abs(sqrt(sr$var[1, 1]) / se - 1),
                   survreg_loglik_diff = abs(sr$loglik[2] - f$value), abs_score = abs(f$score)))
}
case_exp <- function(id, dir, file, group = NULL, level = 0.95, desc = "", source = NOSRC,
                     published = NULL, notes = NULL, tol_rel = 1e-8) {
  f <- exp_fit(read_life(file.path(dir, file), group), level); chk <- f$.chk; f$.chk <- NULL
  case(id, desc, list(dataset = file, group = if (is.null(group)) "*" else group, level = level), f,
       "survreg(Surv(lower,upper,type='interval2')~1,weights=count,dist='exponential',control=survreg.control(rel.tolerance=1e-14,maxiter=1000)); rate=exp(-coef); then Newton steps on log(rate) to machine precision; LR limits: uniroot on 2*(ll(max)-ll(log rate))-qchisq(level,1), tol=1e-15 (hand-written: exp_fit in common.R)",
       source, published, tol_rel = tol_rel, notes = notes, check = chk)
}

## ---------------------------------------------------------------- D Weibull
# mu = log(scale), s = log(sigma) = -log(shape)
cw_ex <- deriv3(~ -s - y + (y - mu) * exp(-s) - exp((y - mu) * exp(-s)), c("mu", "s"), function(mu, s, y) NULL)
cw_rc <- deriv3(~ -exp((y - mu) * exp(-s)), c("mu", "s"), function(mu, s, y) NULL)
cw_lc <- deriv3(~ log(-expm1(-exp((y - mu) * exp(-s)))), c("mu", "s"), function(mu, s, y) NULL)
cw_ic <- deriv3(~ -exp((yl - mu) * exp(-s)) + log(-expm1(-(exp((yu - mu) * exp(-s)) - exp((yl - mu) * exp(-s))))),
                c("mu", "s"), function(mu, s, yl, yu) NULL)
weib_ll <- function(th, d, k = kinds(d)) {
  v <- 0; g <- c(0, 0); H <- matrix(0, 2, 2)
  add <- function(f, w) {
    v <<- v + sum(w * f); g <<- g + colSums(w * attr(f, "gradient"))
    h <- attr(f, "hessian"); H <<- H + apply(h, c(2, 3), function(c) sum(w * c))
  }
  if (any(k$ex)) add(cw_ex(th[1], th[2], log(d$lower[k$ex])), d$count[k$ex])
  if (any(k$rc)) add(cw_rc(th[1], th[2], log(d$lower[k$rc])), d$count[k$rc])
  if (any(k$lc)) add(cw_lc(th[1], th[2], log(d$upper[k$lc])), d$count[k$lc])
  if (any(k$ic)) add(cw_ic(th[1], th[2], log(d$lower[k$ic]), log(d$upper[k$ic])), d$count[k$ic])
  list(value = v, score = g, info = -H)
}
weib_mle <- function(d) {
  k <- kinds(d)
  sr <- survreg(Surv(lower, upper, type = "interval2") ~ 1, data = d, weights = count,
                dist = "weibull", control = SRC_CTL)
  th0 <- c(unname(coef(sr)), log(sr$scale)); th <- th0
  for (i in 1:100) {
    f <- weib_ll(th, d, k); st <- solve(f$info, f$score); th <- th + st
    if (max(abs(st)) < 1e-15 * max(1, abs(th))) break
  }
  f <- weib_ll(th, d, k)
  list(mu = th[1], s = th[2], V = solve(f$info), ll = f$value, score = f$score, sr = sr)
}
weib_fit <- function(d, level, times, p = 0.1) {
  k <- kinds(d); m <- weib_mle(d); z <- qnorm(1 - (1 - level) / 2)
  mu <- m$mu; s <- m$s; V <- m$V; sig <- exp(s)
  se_ls <- sqrt(V[1, 1]); se_lb <- sqrt(V[2, 2])
  wp <- log(-log1p(-p)); lb <- mu + sig * wp
  gq <- c(1, sig * wp); se_q <- sqrt(drop(t(gq) %*% V %*% gq))
  sv <- lapply(times, function(t) {
    w <- (log(t) - mu) / sig; g <- c(-1 / sig, -w); se <- sqrt(drop(t(g) %*% V %*% g))
    data.frame(t = t, survival = exp(-exp(w)), lower = exp(-exp(w + z * se)), upper = exp(-exp(w - z * se)), row.names = NULL)
  })
  # pu() check of B10 against predict.survreg
  pr <- predict(m$sr, newdata = data.frame(x = 1)[1, , drop = FALSE], type = "uquantile", p = p, se.fit = TRUE)
  e <- exp_fit(d)
  lr <- 2 * (m$ll - e$loglik)
  list(shape = exp(-s), scale = exp(mu), loglik = m$ll, se_log_shape = se_lb, se_log_scale = se_ls,
       cov_log_shape_log_scale = -V[1, 2],
       shape_lower = exp(-s - z * se_lb), shape_upper = exp(-s + z * se_lb),
       scale_lower = exp(mu - z * se_ls), scale_upper = exp(mu + z * se_ls),
       b10 = exp(lb), se_log_b10 = se_q, b10_lower = exp(lb - z * se_q), b10_upper = exp(lb + z * se_q),
       mean_life = exp(mu) * gamma(1 + sig), survival_at = { sv <- do.call(rbind, sv); rownames(sv) <- NULL; sv },
       exponential_loglik = e$loglik, exponential_rate = e$rate,
       lr_stat_shape1 = lr, lr_p_shape1 = pchisq(lr, 1, lower.tail = FALSE),
       n_units = sum(d$count), n_not_right_censored = sum(d$count[!k$rc]),
       .chk = list(survreg_shape_reldiff = abs((1 / m$sr$scale) / exp(-s) - 1),
                   survreg_scale_reldiff = abs(exp(unname(coef(m$sr))) / exp(mu) - 1),
                   survreg_loglik_diff = abs(m$sr$loglik[2] - m$ll),
                   survreg_se_reldiff = max(abs(sqrt(diag(m$sr$var)) / c(se_ls, se_lb) - 1)),
                   predict_uquantile_reldiff = max(abs(pr$fit[1] / lb - 1), abs(pr$se.fit[1] / se_q - 1)),
                   abs_score = max(abs(m$score))))
}
case_weib <- function(id, dir, file, group = NULL, level = 0.95, times, desc = "", source = NOSRC,
                      published = NULL, notes = NULL, tol_rel = 1e-8) {
  f <- weib_fit(read_life(file.path(dir, file), group), level, times); chk <- f$.chk; f$.chk <- NULL
  case(id, desc, list(dataset = file, group = if (is.null(group)) "*" else group, level = level,
                      times = I(times), b_fraction = 0.1), f,
       "survreg(Surv(lower,upper,type='interval2')~1,weights=count,dist='weibull',control=survreg.control(rel.tolerance=1e-14,maxiter=1000)); shape=1/scale_R, scale=exp(coef); Newton-polished in (log scale, log sigma) with exact derivatives; B10: predict(type='uquantile',p=0.1,se.fit=TRUE); LR vs dist='exponential'",
       source, published, tol_rel = tol_rel, notes = notes, check = chk)
}

## ---------------------------------------------------------------- E Kaplan-Meier, Turnbull
expand <- function(d) d[rep(seq_len(nrow(d)), d$count), ]
km_table <- function(d, level) {
  x <- expand(d); stopifnot(!any(is.na(x$lower)), all(is.na(x$upper) | x$upper == x$lower))
  tm <- x$lower; st <- as.integer(!is.na(x$upper))
  f <- survfit(Surv(tm, st) ~ 1, conf.type = "log-log", conf.int = level)
  e <- f$n.event > 0
  # by hand
  ut <- sort(unique(tm[st == 1])); z <- qnorm(1 - (1 - level) / 2)
  nr <- sapply(ut, function(t) sum(tm >= t)); ne <- sapply(ut, function(t) sum(tm == t & st == 1))
  S <- cumprod(1 - ne / nr); G <- cumsum(ne / (nr * (nr - ne)))
  th <- z * sqrt(G) / log(S); lo <- S^exp(-th); up <- S^exp(th)
  ok <- S > 0
  stopifnot(relmax(f$surv[e][ok], S[ok]) < 1e-10, relmax(f$std.err[e][ok], sqrt(G[ok])) < 1e-10,
            relmax(f$lower[e][ok], lo[ok]) < 1e-8, relmax(f$upper[e][ok], up[ok]) < 1e-8)
  data.frame(time = ut, n_risk = nr, n_event = ne, survival = S,
             se_survival = ifelse(ok, S * sqrt(G), NA),
             lower = ifelse(ok, lo, NA), upper = ifelse(ok, up, NA))
}
case_km <- function(id, dir, file, group = NULL, level = 0.95, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  tb <- km_table(read_life(file.path(dir, file), group), level)
  case(id, desc, list(kind = "kaplan_meier", dataset = file, group = if (is.null(group)) "*" else group, level = level),
       list(table = tb),
       "survfit(Surv(time,status)~1,conf.type='log-log',conf.int=level) at event times, rows expanded by count; se_survival = surv*std.err (Greenwood)",
       source, published, notes = notes)
}
# Turnbull NPMLE.  Intervals are (lower, upper]; left-censored (0,u]; right-censored (l,Inf); exact {t}.
turnbull <- function(d) {
  k <- kinds(d); n <- nrow(d)
  Lv <- ifelse(k$lc, 0, d$lower); Lt <- ifelse(k$ex, -1, 1)
  Rv <- ifelse(k$rc, Inf, d$upper); Rt <- 0
  key <- unique(rbind(data.frame(v = Lv, t = Lt, e = "L"), data.frame(v = Rv, t = 0, e = "R")))
  key <- key[order(key$v, key$t), ]
  j <- which(key$e[-nrow(key)] == "L" & key$e[-1] == "R")
  Q <- data.frame(lv = key$v[j], lt = key$t[j], rv = key$v[j + 1])
  ge <- function(v1, t1, v2, t2) v1 > v2 | (v1 == v2 & t1 >= t2)     # position1 >= position2
  A <- t(sapply(seq_len(n), function(i) as.numeric(ge(Q$lv, Q$lt, Lv[i], Lt[i]) & Q$rv <= Rv[i])))
  if (nrow(Q) == 1) A <- matrix(A, ncol = 1)
  w <- d$count; N <- sum(w); m <- nrow(Q); p <- rep(1 / m, m)
  for (it in 1:3000) p <- p * drop(crossprod(A, w / drop(A %*% p))) / N
  ll <- function(p) { f <- drop(A %*% p); if (any(f <= 0)) -Inf else sum(w * log(f)) }
  for (it in 1:300) {                          # constrained Newton (sequential QP)
    f <- drop(A %*% p); g <- drop(crossprod(A, w / f)); B <- A * sqrt(w) / f; H <- crossprod(B)
    D <- H + diag(1e-11 * max(diag(H)), m)
    s <- quadprog::solve.QP(D / N, g / N, cbind(rep(1, m), diag(m)), c(0, -p), meq = 1)$solution
    al <- 1; l0 <- ll(p)
    repeat { pn <- pmax(p + al * s, 0); pn <- pn / sum(pn); if (ll(pn) >= l0 - 1e-12 || al < 1e-10) break; al <- al / 2 }
    if (max(abs(pn - p)) < 1e-16) { p <- pn; break }
    p <- pn
  }
  sup <- p > 1e-9
  for (it in 1:30) {                           # Newton on the support with a Lagrange multiplier
    f <- drop(A[, sup, drop = FALSE] %*% p[sup]); g <- drop(crossprod(A[, sup, drop = FALSE], w / f))
    H <- crossprod(A[, sup, drop = FALSE] * sqrt(w) / f); q <- sum(sup)
    M <- rbind(cbind(H, 1), c(rep(1, q), 0)); rhs <- c(g, 1 - sum(p[sup]))
    st <- tryCatch(solve(M, rhs)[1:q], error = function(e) NULL); if (is.null(st)) break
    p[sup] <- p[sup] + st
  }
  p[!sup] <- 0
  f <- drop(A %*% p); g <- drop(crossprod(A, w / f))
  act <- abs(g - N) < 1e-6 * N
  uniq <- qr(A[, act, drop = FALSE])$rank == sum(act)
  list(Q = Q, A = A, p = p, ll = sum(w * log(f)), kkt = (max(g) - N) / N, unique = uniq, all_p = all(p >= -1e-14))
}
zapsmall1 <- function(x) ifelse(abs(x) < 1e-13, 0, x)
case_turnbull <- function(id, dir, file, group = NULL, desc = "", source = NOSRC, published = NULL, notes = NULL,
                          tol_abs = 1e-7) {
  d <- read_life(file.path(dir, file), group); tb <- turnbull(d)
  stopifnot(tb$kkt < 1e-9, tb$all_p, tb$unique)
  Q <- tb$Q
  ms <- data.frame(lower = Q$lv, upper = Q$rv, exact = Q$lt == -1, prob = tb$p,
                   survival_after = zapsmall1(1 - cumsum(tb$p)))
  ms$survival_after[is.infinite(Q$rv)] <- 0
  rownames(ms) <- NULL
  # survfit's EM (stops at 5e-5): compare S just after each finite innermost interval
  x <- d; sf <- survfit(Surv(lower, upper, type = "interval2") ~ 1, data = x, weights = count)
  ev <- Q$rv[is.finite(Q$rv)]
  # survfit puts the jump at the middle of a gap between the last left and first right end point, i.e. inside (l,r]
  Sv <- summary(sf, times = ev, extend = TRUE)$surv
  case(id, desc, list(kind = "turnbull", dataset = file, group = if (is.null(group)) "*" else group),
       list(intervals = ms, loglik = tb$ll, n_units = sum(d$count), unique = tb$unique),
       "survfit(Surv(lower,upper,type='interval2')~1,weights=count) gives the same NPMLE only roughly (its EM stops at 5e-5; S off by 1e-4 to 1e-2, see check); values here: turnbull() in common.R = EM, then sequential quadratic programming (quadprog::solve.QP), then Newton on the support; KKT gap below 1e-9",
       source, published, tol_rel = 1e-7, tol_abs = tol_abs, notes = notes,
       check = list(kkt_gap_relative = tb$kkt,
                    survfit_max_abs_diff_S = if (length(ev)) max(abs(Sv - ms$survival_after[is.finite(Q$rv)])) else NA))
}

## ---------------------------------------------------------------- F MCF
mcf_est <- function(r, level) {   # r: unit, entry, time, event (event 0 = end of observation, one per unit)
  en <- r[r$event == 0, ]; stopifnot(!anyDuplicated(en$unit)); ev <- r[r$event == 1, ]
  ids <- en$unit; tt <- sort(unique(ev$time)); K <- length(tt); n <- length(ids)
  Y <- sapply(tt, function(t) as.numeric(en$entry < t & t <= en$time))
  D <- sapply(tt, function(t) as.numeric(sapply(ids, function(i) sum(ev$unit == i & ev$time == t))))
  if (n == 1) { Y <- matrix(Y, 1); D <- matrix(D, 1) }
  stopifnot(all(D[Y == 0] == 0))
  rk <- colSums(Y); db <- colSums(D) / rk; M <- cumsum(db)
  infl <- t(apply(sweep(Y, 2, rk, "/") * sweep(D, 2, db), 1, cumsum)); if (K == 1) infl <- t(infl)
  v <- colSums(infl^2)
  # unbiased (pairwise, divisor r-1) version; only without late entry
  vu <- rep(NA, K)
  if (all(en$entry == 0)) {
    Cv <- matrix(NA, K, K)
    for (k in 1:K) for (j in 1:k) {
      w <- Y[, k] == 1; rr <- sum(w)
      if (rr > 1) Cv[j, k] <- Cv[k, j] <- sum((D[w, j] - mean(D[w, j])) * (D[w, k] - mean(D[w, k]))) / (rr - 1) / rk[j]
    }
    for (k in 1:K) vu[k] <- sum(Cv[1:k, 1:k])
  }
  z <- qnorm(1 - (1 - level) / 2); se <- sqrt(v)
  data.frame(time = tt, n_risk = rk, n_event = colSums(D), mcf = M, var_robust = v, se_robust = se,
             ci_log_lower = M * exp(-z * se / M), ci_log_upper = M * exp(z * se / M),
             ci_plain_lower = M - z * se, ci_plain_upper = M + z * se, var_unbiased = vu)
}
# survfit cross check in counting-process form
mcf_survfit <- function(r) {
  r <- r[order(r$unit, r$time, -r$event), ]
  out <- do.call(rbind, lapply(split(r, r$unit), function(u) {
    eps <- 1e-4
    tm <- u$time                      # spread exact ties within a unit: n-th tie moved back
    st <- c(u$entry[1], tm[-length(tm)])
    for (i in rev(seq_along(tm))[-1]) if (tm[i] >= tm[i + 1]) tm[i] <- tm[i + 1] - eps
    st <- c(u$entry[1], tm[-length(tm)])
    data.frame(id = u$unit, t1 = st, t2 = tm, s = u$event)
  }))
  out <- out[out$t2 > out$t1, ]
  f <- survfit(Surv(t1, t2, s) ~ 1, data = out, id = id, robust = TRUE)
  f
}
case_mcf <- function(id, dir, file, group = NULL, level = 0.95, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  r <- read.csv(file.path(dir, file), colClasses = c("character", "character", rep("numeric", 3)))
  if (!is.null(group)) r <- r[r$group %in% group, ]
  tb <- mcf_est(r, level)
  # survfit in counting-process form; events tied within a unit are moved 1e-4 apart, then read at the original times
  f <- mcf_survfit(r); ix <- findInterval(tb$time, f$time)
  chk <- list(survfit_max_abs_diff_mcf = max(abs(f$cumhaz[ix] - tb$mcf)),
              survfit_max_abs_diff_se = max(abs(f$std.chaz[ix] - tb$se_robust)))
  case(id, desc, list(dataset = file, group = if (is.null(group)) "*" else group, level = level,
                      n_units = sum(r$event == 0), n_events = sum(r$event == 1)),
       list(table = tb),
       "by hand (mcf_est in common.R); cross-checked against survfit(Surv(start,stop,status)~1,id=unit,robust=TRUE)$cumhaz and $std.chaz (ties within a unit separated by 1e-4)",
       source, published, notes = notes, check = chk)
}

## ---------------------------------------------------------------- G cluster-robust ratio
case_cluster <- function(id, dir, file, kind = c("proportion", "rate"), level = 0.95, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  kind <- match.arg(kind)
  d <- read.csv(file.path(dir, file), colClasses = c("character", "character", "numeric", "numeric"))
  y <- d[[3]]; m <- d[[4]]; n <- nrow(d); p <- sum(y) / sum(m)
  v <- n / (n - 1) * sum((y - p * m)^2) / sum(m)^2; se <- sqrt(v)
  v0 <- if (kind == "proportion") p * (1 - p) / sum(m) else p / sum(m)
  z <- qnorm(1 - (1 - level) / 2); tq <- qt(1 - (1 - level) / 2, n - 1)
  o <- list(n_clusters = n, numerator = sum(y), denominator = sum(m), estimate = p,
            se_naive = sqrt(v0), se_robust = se, design_effect = v / v0,
            effective_denominator = sum(m) / (v / v0),
            ci_plain_z = I(c(p - z * se, p + z * se)), ci_plain_t = I(c(p - tq * se, p + tq * se)))
  if (kind == "proportion") {
    o$se_logit <- se / (p * (1 - p))
    o$ci_logit_z <- I(plogis(qlogis(p) + c(-1, 1) * z * o$se_logit))
    o$ci_logit_t <- I(plogis(qlogis(p) + c(-1, 1) * tq * o$se_logit))
  } else {
    o$se_log <- se / p
    o$ci_log_z <- I(p * exp(c(-1, 1) * z * o$se_log))
    o$ci_log_t <- I(p * exp(c(-1, 1) * tq * o$se_log))
  }
  case(id, desc, list(kind = kind, dataset = file, level = level), o,
       paste0("p=sum(y)/sum(m); v=n/(n-1)*sum((y-p*m)^2)/sum(m)^2; deff=v/",
              if (kind == "proportion") "(p*(1-p)/sum(m))" else "(p/sum(m))",
              "; by hand; equals survey::svyratio(~y,~m,svydesign(ids=~unit,...)) and sandwich::vcovCL(glm,cluster=unit,type='HC0',cadjust=TRUE)"),
       source, published, notes = notes)
}

## ---------------------------------------------------------------- H tests
case_logrank <- function(id, dir, file, group = NULL, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  d <- expand(read_life(file.path(dir, file), group))
  st <- as.integer(!is.na(d$upper)); f <- survdiff(Surv(d$lower, st) ~ d$group)
  df <- length(f$n) - 1
  case(id, desc, list(kind = "logrank", dataset = file, groups = I(sort(unique(d$group)))),
       list(groups = data.frame(group = sub("^d\\$group=", "", names(f$n)), n = as.integer(f$n), observed = f$obs, expected = f$exp),
            chisq = f$chisq, df = df, p = pchisq(f$chisq, df, lower.tail = FALSE),
            var_first_group = f$var[1, 1]),
       "survdiff(Surv(time,status)~group)  (rho=0)", source, published, notes = notes)
}
case_bh <- function(id, p, desc = "", source = NOSRC, published = NULL, notes = NULL)
  case(id, desc, list(kind = "benjamini_hochberg", p = I(p)),
       list(adjusted = I(p.adjust(p, "BH")), rejected_at_0.05 = sum(p.adjust(p, "BH") <= 0.05),
            rejected_at_0.10 = sum(p.adjust(p, "BH") <= 0.10)),
       "p.adjust(p,'BH')  (input order kept)", source, published, notes = notes)

## ---------------------------------------------------------------- I gamma-Poisson EB
nb_term <- deriv3(~ lgamma(exp(la) + y) - lgamma(exp(la)) + exp(la) * (lb - log(exp(lb) + E)) + y * (log(E) - log(exp(lb) + E)),
                  c("la", "lb"), function(la, lb, y, E) NULL)
eb_fit <- function(y, E) {
  stat <- sum((y - E * sum(y) / sum(E))^2 - y)         # > 0: finite prior exists
  llp <- sum(dpois(y, E * sum(y) / sum(E), log = TRUE))
  prof <- sapply(seq(-6, 14, by = 0.25), function(la) optimize(function(lm) sum(dnbinom(y, size = exp(la), mu = exp(lm) * E, log = TRUE)),
                 log(sum(y) / sum(E)) + c(-6, 6), maximum = TRUE, tol = 1e-10)$objective)
  # the statistic is only the slope at the Poisson limit; confirm on a grid that it decides the global maximum here
  stopifnot((stat <= 0) == (max(prof) <= llp + 1e-9))
  if (stat <= 0) return(list(degenerate = TRUE, stat = stat, pooled = sum(y) / sum(E), llp = llp))
  f <- function(th) -sum(dnbinom(y, size = exp(th[1]), prob = exp(th[2]) / (exp(th[2]) + E), log = TRUE))
  th <- c(0, log(sum(E) / sum(y)))
  for (i in 1:5) th <- optim(th, f, method = "Nelder-Mead", control = list(reltol = 1e-14, maxit = 5000))$par
  for (i in 1:100) {
    v <- nb_term(th[1], th[2], y, E); g <- colSums(attr(v, "gradient")); H <- apply(attr(v, "hessian"), c(2, 3), sum)
    st <- -solve(H, g); th <- th + st; if (max(abs(st)) < 1e-14) break
  }
  list(degenerate = FALSE, stat = stat, a = exp(th[1]), b = exp(th[2]), ll = -f(th), score = max(abs(g)))
}
p_highest <- function(A, B) {     # posterior Gamma(A, rate B): P(component i is the largest), by quadrature
  # Gauss-Legendre on u = F_i(x) after a logit-like split of (0,1) into panels
  brk <- c(0, 10^(-12:-2), seq(0.02, 0.98, by = 0.02), 1 - 10^(-2:-12), 1)
  gl <- statmod::gauss.quad(20)
  u <- unlist(lapply(seq_len(length(brk) - 1), function(k) (brk[k] + brk[k + 1]) / 2 + (brk[k + 1] - brk[k]) / 2 * gl$nodes))
  w <- unlist(lapply(seq_len(length(brk) - 1), function(k) (brk[k + 1] - brk[k]) / 2 * gl$weights))
  sapply(seq_along(A), function(i) {
    x <- ifelse(u < 0.5, qgamma(u, A[i], B[i]), NA)
    hi <- u >= 0.5; x[hi] <- qgamma(1 - u[hi], A[i], B[i], lower.tail = FALSE)
    lp <- rowSums(sapply(setdiff(seq_along(A), i), function(j) pgamma(x, A[j], B[j], log.p = TRUE)))
    sum(w * exp(lp))
  })
}
p_highest_integrate <- function(A, B) sapply(seq_along(A), function(i) {   # second method
  f <- function(x) exp(dgamma(x, A[i], B[i], log = TRUE) + rowSums(sapply(setdiff(seq_along(A), i), function(j) pgamma(x, A[j], B[j], log.p = TRUE))))
  q <- qgamma(c(1e-14, 1e-6, 0.01, 0.25, 0.5, 0.75, 0.99), A[i], B[i]); q <- c(q, qgamma(c(1e-6, 1e-15), A[i], B[i], lower.tail = FALSE))
  sum(sapply(seq_len(length(q) - 1), function(k) integrate(f, q[k], q[k + 1], rel.tol = 1e-11, abs.tol = 1e-16, subdivisions = 2000, stop.on.error = FALSE)$value))
})
case_eb <- function(id, dir, file, level = 0.90, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  d <- read.csv(file.path(dir, file), colClasses = c("character", "numeric", "numeric"))
  f <- eb_fit(d$events, d$exposure)
  stopifnot(!f$degenerate)
  A <- f$a + d$events; B <- f$b + d$exposure; al <- (1 - level) / 2
  ph <- p_highest(A, B); ph2 <- p_highest_integrate(A, B)
  case(id, desc, list(dataset = file, level = level),
       list(prior_degenerate = FALSE, overdispersion_stat = f$stat, prior_shape = f$a, prior_rate = f$b,
            prior_mean = f$a / f$b, loglik = f$ll,
            families = data.frame(family = d$family, events = d$events, exposure = d$exposure,
              raw_rate = d$events / d$exposure, post_mean = A / B, lower = qgamma(al, A, B), upper = qgamma(1 - al, A, B),
              shrinkage_weight = f$b / (f$b + d$exposure), p_highest = ph)),
       "maximise sum(dnbinom(y,size=a,prob=b/(b+E),log=TRUE)) over (log a, log b): Nelder-Mead then Newton; post_mean=(a+y)/(b+E); qgamma(c(.05,.95),a+y,b+E); p_highest_i = integral of dgamma_i * prod_{j!=i} pgamma_j (Gauss-Legendre panels; cross-checked with integrate)",
       source, published, tol_rel = 1e-7, tol_abs = 1e-9, notes = notes,
       check = list(abs_score = f$score, p_highest_sum_minus_1 = sum(ph) - 1, p_highest_two_methods_max_abs_diff = max(abs(ph - ph2))))
}

## ---------------------------------------------------------------- J age replacement
intR <- function(T, shape, scale) scale * gamma(1 + 1 / shape) * pgamma((T / scale)^shape, 1 / shape)
age_cost <- function(T, shape, scale, cp, cf) {
  F <- -expm1(-(T / scale)^shape); (cp * (1 - F) + cf * F) / intR(T, shape, scale)
}
case_age <- function(id, shape, scale, cp, cf, T_eval, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  mttf <- scale * gamma(1 + 1 / shape); rtf <- cf / mttf
  ev <- data.frame(T = T_eval, cost_rate = age_cost(T_eval, shape, scale, cp, cf))
  num <- sapply(T_eval, function(T) integrate(function(t) exp(-(t / scale)^shape), 0, T, rel.tol = 1e-12)$value)
  chk <- list(integral_closed_vs_integrate_reldiff = relmax(num, intR(T_eval, shape, scale)))
  o <- list(mttf = mttf, run_to_failure_rate = rtf, evaluated = ev)
  if (shape > 1 && cf > cp) {
    h <- function(T) shape / scale * (T / scale)^(shape - 1)
    g <- function(l) { T <- exp(l); h(T) * intR(T, shape, scale) + expm1(-(T / scale)^shape) - cp / (cf - cp) }
    ub <- 0; while (g(log(scale) + ub) < 0) ub <- ub + 1
    l <- uniroot(g, c(log(scale) - 40 / shape - 5, log(scale) + ub), tol = 1e-15, maxiter = 5000)$root
    T <- exp(l); C <- age_cost(T, shape, scale, cp, cf)
    op <- optimize(function(l) age_cost(exp(l), shape, scale, cp, cf), c(l - 2, l + 2), tol = 1e-10)
    chk$optimize_T_reldiff <- abs(exp(op$minimum) / T - 1); chk$optimize_C_reldiff <- abs(op$objective / C - 1)
    chk$identity_C_equals_cf_minus_cp_times_hazard_reldiff <- abs((cf - cp) * h(T) / C - 1)
    o <- c(o, list(finite_optimum = TRUE, optimal_T = T, optimal_cost_rate = C, ratio_to_run_to_failure = C / rtf,
                   prob_fail_before_T = -expm1(-(T / scale)^shape)))
  } else o <- c(o, list(finite_optimum = FALSE, optimal_T = NA, optimal_cost_rate = rtf, ratio_to_run_to_failure = 1))
  if (desc == "") desc <- sprintf("Weibull shape %g, scale %g, cp %g, cf %g", shape, scale, cp, cf)
  case(id, desc, list(shape = shape, scale = scale, cp = cp, cf = cf, T_eval = I(T_eval)), o,
       "C(T)=(cp*exp(-(T/scale)^shape)+cf*(1-exp(-(T/scale)^shape)))/(scale*gamma(1+1/shape)*pgamma((T/scale)^shape,1/shape)); T* by uniroot on h(T)*int_0^T R - F(T) - cp/(cf-cp), tol=1e-15; checked with integrate(rel.tol=1e-12) and optimize",
       source, published, tol_rel = 1e-8, notes = notes, check = chk)
}

## ---------------------------------------------------------------- K conditional
cond_fail <- function(t, h, shape, scale) -expm1((t / scale)^shape - ((t + h) / scale)^shape)
# well-conditioned difference for large t: (t/s)^b - ((t+h)/s)^b = -(t/s)^b * expm1(b*log1p(h/t))
cond_fail2 <- function(t, h, shape, scale) ifelse(t == 0, -expm1(-(h / scale)^shape), -expm1(-(t / scale)^shape * expm1(shape * log1p(h / t))))
case_cond <- function(id, shape, scale, t, h, desc = "", source = NOSRC, published = NULL, notes = NULL, inputs_extra = NULL, tol_rel = 1e-8) {
  g <- expand.grid(t = t, h = h); v <- cond_fail2(g$t, g$h, shape, scale)
  if (desc == "") desc <- sprintf("given Weibull shape %g, scale %g", shape, scale)
  case(id, desc, c(list(kind = "weibull", shape = shape, scale = scale), inputs_extra),
       list(grid = data.frame(age = g$t, horizon = g$h, prob = v)),
       "-expm1((t/scale)^shape-((t+h)/scale)^shape), evaluated as -expm1(-(t/scale)^shape*expm1(shape*log1p(h/t))) to avoid cancellation",
       source, published, tol_rel = tol_rel, tol_abs = 0, notes = notes,
       check = list(direct_form_max_reldiff = relmax(cond_fail(g$t, g$h, shape, scale)[v > 0], v[v > 0])))
}
# conditional probability from a fit, with delta-method interval on the log(cumulative hazard increment) scale
case_cond_fit <- function(id, dir, file, group = NULL, t, h, level = 0.95, desc = "", source = NOSRC, published = NULL, notes = NULL) {
  d <- read_life(file.path(dir, file), group); m <- weib_mle(d); z <- qnorm(1 - (1 - level) / 2)
  g <- expand.grid(t = t, h = h)
  ce <- deriv(~ log(exp((log(b) - mu) * exp(-s)) - exp((log(a) - mu) * exp(-s))), c("mu", "s"), function(mu, s, a, b) NULL)
  ce0 <- deriv(~ (log(b) - mu) * exp(-s), c("mu", "s"), function(mu, s, b) NULL)
  R <- do.call(rbind, lapply(seq_len(nrow(g)), function(i) {
    a <- g$t[i]; b <- a + g$h[i]
    v <- if (a == 0) ce0(m$mu, m$s, b) else ce(m$mu, m$s, a, b)
    gr <- as.numeric(attr(v, "gradient")); se <- sqrt(drop(t(gr) %*% m$V %*% gr)); v <- as.numeric(v)
    data.frame(age = a, horizon = g$h[i], prob = -expm1(-exp(v)), lower = -expm1(-exp(v - z * se)), upper = -expm1(-exp(v + z * se)))
  }))
  case(id, desc, list(kind = "weibull_fit", dataset = file, group = if (is.null(group)) "*" else group, level = level),
       list(shape = exp(-m$s), scale = exp(m$mu), grid = { rownames(R) <- NULL; R }),
       "Weibull MLE as in topic D, then 1-S(t+h)/S(t); interval: delta method on log(H(t+h)-H(t)), H cumulative hazard, with vcov from D",
       source, published, notes = notes)
}

## ---------------------------------------------------------------- simulators (parameters live in the make_*.R scripts)
sim_mixed <- function(seed, n, shape, scale, p_exact, p_cs, tau, spacing, groups = "all", accel = 1, max_count = 3) {
  set.seed(seed); grp <- rep_len(groups, n); ac <- rep_len(accel, n)
  lo <- up <- numeric(n)
  for (i in 1:n) {
    T <- round(rweibull(1, shape, scale / ac[i]), 1) + 0.1; u <- runif(1)
    if (u < p_exact) { if (T > tau) { lo[i] <- tau; up[i] <- NA } else lo[i] <- up[i] <- T }
    else if (u < p_exact + p_cs) { C <- round(runif(1, 0.1, 1) * tau); if (T <= C) { lo[i] <- NA; up[i] <- C } else { lo[i] <- C; up[i] <- NA } }
    else { off <- round(runif(1) * spacing) + 1; g <- off + spacing * (0:40); g <- g[g <= tau]
      k <- sum(g < T)
      if (k == 0) { lo[i] <- NA; up[i] <- g[1] } else if (k == length(g)) { lo[i] <- g[k]; up[i] <- NA } else { lo[i] <- g[k]; up[i] <- g[k + 1] } }
  }
  life(lo, up, sample(1:max_count, n, TRUE, prob = rev(seq_len(max_count)^2)), grp)
}
sim_cs <- function(seed, n, shape, scale, tmin, tmax) {
  set.seed(seed); T <- rweibull(n, shape, scale); C <- round(runif(n, tmin, tmax))
  life(ifelse(T <= C, NA, C), ifelse(T <= C, C, NA))
}
sim_rc <- function(seed, ngrp, shape, scale, cens_max, digits = 0) {   # right-censored, several groups
  set.seed(seed); g <- rep(names(ngrp), ngrp); sc <- rep(scale, ngrp)
  T <- rweibull(length(g), shape, sc); C <- runif(length(g), 0.2, 1) * cens_max
  tm <- pmax(round(pmin(T, C), digits), 10^-digits)
  life_rc(tm, as.integer(T <= C), group = g)
}
sim_recur <- function(seed, n, base, power, frailty_var, tmin, tmax, late = FALSE, digits = 1, group = "all") {
  set.seed(seed); out <- NULL
  for (i in 1:n) {
    z <- if (frailty_var > 0) rgamma(1, 1 / frailty_var, 1 / frailty_var) else 1
    e <- if (late && runif(1) < 0.5) round(runif(1, 0, tmin * 0.8), digits) else 0
    end <- round(runif(1, tmin, tmax), digits); L <- function(t) z * base * (t / tmax)^power
    k <- rpois(1, L(end) - L(e)); t <- sort(((L(e) + runif(k) * (L(end) - L(e))) / (z * base))^(1 / power) * tmax)
    t <- round(t, digits); t <- t[t > e & t <= end]; u <- sprintf("s%02d", i)
    out <- rbind(out, data.frame(unit = u, group = group, entry = e, time = c(t, end), event = c(rep(1, length(t)), 0)))
  }
  out
}
sim_prop <- function(seed, n, mmin, mmax, p, rho) {
  set.seed(seed); m <- sample(mmin:mmax, n, TRUE); ab <- (1 - rho) / rho
  data.frame(unit = sprintf("c%02d", 1:n), group = "all", successes = rbinom(n, m, rbeta(n, p * ab, (1 - p) * ab)), trials = m)
}
sim_rate <- function(seed, n, rate, emin, emax, frailty_var) {
  set.seed(seed); E <- round(runif(n, emin, emax), 1)
  data.frame(unit = sprintf("c%02d", 1:n), group = "all", events = rpois(n, E * rate * rgamma(n, 1 / frailty_var, 1 / frailty_var)), exposure = E)
}
sim_fam <- function(seed, n, shape, rate, emin, emax, prefix = "F") {
  set.seed(seed); E <- round(exp(runif(n, log(emin), log(emax)))); l <- rgamma(n, shape, rate)
  data.frame(family = sprintf("%s%02d", prefix, 1:n), events = rpois(n, E * l), exposure = E)
}

## ---------------------------------------------------------------- conventions printed in every topic file
CONV <- list()
CONV$A <- c(
  "Clopper-Pearson: beta quantiles with alpha/2 in each tail; lower=0 at x=0, upper=1 at x=n. One-sided limits put all of alpha in one tail.",
  "Wilson: score interval without continuity correction; exactly 0 at x=0 (lower) and exactly 1 at x=n (upper).")
CONV$B <- c(
  "Garwood: lower=qchisq(alpha/2,2x)/2/T (0 at x=0), upper=qchisq(1-alpha/2,2x+2)/2/T. At x=0 the two-sided upper still uses alpha/2; the one-sided upper is -log(alpha)/T.",
  "MTBF, time-truncated: lower uses 2r+2 degrees of freedom, upper uses 2r. Failure-truncated: both use 2r. r=0: only lower limits exist (others null).")
CONV$C <- c(
  "rate per time unit; loglik: exact log(rate)-rate*t; right -rate*l; left log(1-exp(-rate*u)); interval log(exp(-rate*l)-exp(-rate*u)); each times count; no multinomial constant.",
  "se_log_rate from the observed information in log(rate); wald = exp(log(rate) -+ z*se). lr = all rates with 2*(loglik(max)-loglik(rate)) <= qchisq(level,1).",
  "With only right-censored units: rate 0, loglik 0, lr_lower 0, lr_upper = qchisq(level,1)/(2*total time), the rest null.")
CONV$D <- c(
  "S(t)=exp(-(t/scale)^shape). loglik is on the time scale (density of t, not of log t); counts multiply the contributions; no multinomial constant.",
  "Wald limits: exp(log(parameter) -+ z*se). b10 = time at which 10% have failed; delta method on log(b10). survival_at limits: delta method on log(-log S).",
  "cov_log_shape_log_scale is from the inverse observed information at the MLE.",
  "lr_stat_shape1 = 2*(loglik - exponential_loglik), chi-square 1 df.",
  "All values are fully converged (survreg at rel.tolerance 1e-14, then Newton with exact derivatives; max |score| is in check).")
CONV$E <- c(
  "Kaplan-Meier: units censored at t are at risk at t (events first). se_survival = Greenwood. Limits: log(-log S) scale, S^exp(-+z*sqrt(G)/log S). When S reaches 0, se and limits are null.",
  "Turnbull: observation sets are (lower,upper], (0,upper] for left-, (lower,Inf) for right-censored and {t} for exact. Innermost intervals are listed with their mass (also those with mass 0 where the likelihood puts none); upper null = infinity; exact true = a point. survival_after = S just after upper (0 for the unbounded interval).",
  "A current-status sample is the special case without exact and interval rows; its NPMLE at inspection times equals weighted isotonic regression (pool adjacent violators) of the failed fractions.")
CONV$F <- c(
  "At risk at t: entry < t <= end of observation. dbar(t) = events at t / units at risk; mcf = running sum.",
  "var_robust(t) = sum over units of ( sum_{tj<=t} Y_ij/r_j * (d_ij - dbar_j) )^2 -- Meeker & Escobar (1998) eq. for the nonnegative form of Nelson's estimator, = Lawless & Nadeau (1995) robust variance, = survfit's robust std.chaz^2. This is the primary value. It is biased low by roughly a factor (r-1)/r (r = units at risk; confirmed by simulation).",
  "ci_log = mcf*exp(-+z*se/mcf); ci_plain = mcf -+ z*se.",
  "var_unbiased (secondary) = Nelson (1995) unbiased form: sum_jk of c_jk/r_j(min) where c_jk (j<=k) is the sample covariance with divisor r_k-1 over units at risk at t_k, divided by the number at risk at the EARLIER time; can be negative; null once fewer than 2 are at risk, and not given with late entry.")
CONV$G <- c(
  "y_i numerator and m_i denominator of unit i, n units; p=sum(y)/sum(m); se_robust^2 = n/(n-1)*sum((y_i-p*m_i)^2)/(sum m)^2.",
  "se_naive^2 = p(1-p)/sum(m) for a proportion, p/sum(m) for a rate; design_effect = se_robust^2/se_naive^2; effective_denominator = sum(m)/design_effect.",
  "z and t (n-1 df) limits on the plain, logit (proportion) or log (rate) scale; se_logit = se/(p(1-p)), se_log = se/p.")
CONV$H <- c(
  "logrank: Mantel-Haenszel with hypergeometric variance (ties handled), chi-square with groups-1 df.",
  "Benjamini-Hochberg step-up adjusted p values in input order, capped at 1.")
CONV$I <- c(
  "y_i ~ Poisson(E_i*lambda_i), lambda_i ~ Gamma(shape a, rate b). Marginal: negative binomial size a, prob b/(b+E_i); loglik includes all constants.",
  "post_mean=(a+y)/(b+E); equal-tailed interval at `level`; shrinkage_weight=b/(b+E) is the weight of the prior mean. p_highest: posterior probability that the family's rate is the largest (independent posteriors, a and b fixed at the MLE).",
  "overdispersion_stat = sum((y-E*m)^2-y), m=sum(y)/sum(E). It is (twice) the slope of the likelihood in 1/a at the Poisson limit; above 0 in every case here.")
CONV$J <- c(
  "C(T) = (cp*R(T)+cf*F(T)) / integral_0^T R(t)dt with Weibull R; run_to_failure_rate = cf/mttf; ratio = C(T*)/run_to_failure_rate.",
  "A finite optimum exists iff shape > 1 and cf > cp (strictly); otherwise finite_optimum false, optimal_T null, ratio 1.",
  "Only T* is flat-minimum sensitive: compare T* at 1e-6 if a minimiser on C is used, 1e-8 if the derivative is solved; C(T*) is good to 1e-8 either way.")
CONV$K <- c(
  "prob = 1 - S(t+h)/S(t). Use expm1 on the cumulative-hazard difference: S(t) may underflow and small probabilities lose digits otherwise.",
  "weibull_fit cases: shape and scale are the MLE (topic D); interval by the delta method on log(H(t+h)-H(t)) with the MLE covariance.")

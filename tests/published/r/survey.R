# Shares and means of clustered units: package survey, each cluster a primary sampling unit.
source("common.R")
suppressMessages(library(survey))

for (d in sets_of("units")) {
  set <- d$set[1]
  attempt({
    design <- svydesign(ids = ~cluster, weights = ~1, data = d)
    mean_y <- svymean(~y, design, deff = "replace")
    n <- nrow(d)
    m <- length(unique(d$cluster))
    p <- coef(mean_y)[[1]]
    # Ours takes the same variance and is never below the binomial one, so that chance does not narrow it.
    effect <- if (p > 0 && p < 1 && n > m) max(n * SE(mean_y)^2 / (p * (1 - p)), 1) else 1
    answer(set, "share.design_effect", effect)
    # survey's own: over a sample of n with variance p (1 - p) / (n - 1); from it the error itself.
    if (p > 0 && p < 1 && n > m) answer(set, "share.deff_replace", deff(mean_y)[[1]])
    # Few clusters of several units cost (t / z)^2 more (Korn and Graubard 1998).
    if (n > m && m < 40) effect <- effect * (qt(0.975, m - 1) / qnorm(0.975))^2
    answer(set, "share.limits", prop.test(p * n / effect, n / effect, correct = FALSE)$conf.int)
    # Woodruff: the error of the share at or below the median, and its design effect.
    d$below <- d$value <= median(d$value)
    share <- mean(d$below)
    design <- svydesign(ids = ~cluster, weights = ~1, data = d)
    error <- SE(svymean(~as.numeric(below), design))
    answer(set, "median.error", error)
    if (share < 1) answer(set, "median.effect", if (n > m) max(n * error^2 / (share * (1 - share)), 1) else 1)
    # A rate of events over exposure: the variance of a ratio over Poisson's, y / t^2.
    rate <- svyratio(~events, ~exposure, design)
    if (sum(d$events) > 0) {
      answer(set, "rate.effect", max(SE(rate)[1]^2 * sum(d$exposure)^2 / sum(d$events), 1))
    }
    mean_v <- svymean(~value, design)
    answer(set, "mean.clustered", c(coef(mean_v), confint(mean_v, df = m - 1)))
  })
}

for (d in sets_of("standard")) {
  set <- d$set[1]
  attempt({
    # Both groups are weighted to the standard's mix by post-stratification; a patient in both groups is one unit.
    cells <- aggregate(cbind(n = 1, y = y) ~ exposed + s, d, sum)
    both <- names(which(table(cells$s) == 2))
    weight <- unique(d[, c("s", "w")])
    used <- d[d$s %in% both, ]
    total <- sum(weight$w[weight$s %in% both])
    size <- ave(used$y, used$exposed, used$s, FUN = length)
    p <- ave(used$y, used$exposed, used$s)
    # Ours allows for the unit of freedom that a stratum's own share takes: the same as residuals larger by this much.
    used$larger <- p + sqrt(size / (size - 1)) * (used$y - p)
    used$cell <- interaction(used$exposed, used$s)
    population <- unique(used[, c("cell", "w")])
    names(population)[2] <- "Freq"
    answer(set, "standard.covered", total / sum(weight$w))
    shares <- tapply(used$w / size * used$y, used$exposed, sum) / total
    answer(set, "standard.shares", shares[c("1", "0")])
    if (all(size > 1)) {
      design <- postStratify(svydesign(ids = ~cluster, weights = ~1, data = used), ~cell, population)
      difference <- svyglm(larger ~ exposed, design)
      w <- used$w / total
      binomial <- sum((w^2 / size * size / (size - 1) * p * (1 - p) / size))
      half <- qnorm(0.975) * sqrt(max(SE(difference)[2]^2, binomial))
      answer(set, "standard.difference", coef(difference)[2] + c(0, -1, 1) * half)
    }
  })
}
done()

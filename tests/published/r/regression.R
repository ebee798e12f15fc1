# Models of clustered units: packages geepack and sandwich.
source("common.R")
suppressMessages({
  library(geepack)
  library(sandwich)
})

for (d in sets_of("logistic")) {
  set <- d$set[1]
  d <- d[order(d$cluster), ]
  exact <- geese.control(epsilon = 1e-12, maxit = 200)
  clusters <- length(unique(d$cluster))
  # The working correlation is given, as ours found it: every coefficient and error must then be the same ...
  pairs <- sum(choose(table(d$cluster), 2))
  attempt({
    given <- geese(y ~ x1 + x2, id = cluster, data = d, family = binomial, corstr = "fixed",
                   zcor = rep(d$alpha[1], pairs), control = exact)
    answer(set, "gee.given", given$beta)
    # (below forty clusters ours are corrected, and larger)
    answer(set, if (clusters < 40) "gee.se_few" else "gee.se_given", sqrt(diag(given$vbeta)))
  })
  # ... and found by geepack, which divides by all units where ours leaves out the terms: nearly the same.
  if (clusters >= 40) attempt({
    own <- geese(y ~ x1 + x2, id = cluster, data = d, family = binomial, corstr = "exchangeable", control = exact)
    answer(set, "gee_found.coefficient", own$beta)
    answer(set, "gee_found.se", sqrt(diag(own$vbeta)))
    answer(set, "gee_found.alpha", own$alpha)
  })
}

for (d in sets_of("minutes")) {
  set <- d$set[1]
  d$group <- factor(d$group)
  d$kind <- factor(d$kind)
  m <- length(unique(d$cluster))
  for (name in c("crude", "adjusted")) {
    fit <- if (name == "crude") lm(log(minutes) ~ group, d) else lm(log(minutes) ~ kind + size + group, d)
    # Below forty clusters CR2 (Bell and McCaffrey), else HC1 with the correction for the number of clusters.
    type <- if (m < 40) "HC2" else "HC1"
    se <- sqrt(diag(vcovCL(fit, cluster = d$cluster, type = type)))
    terms <- grep("^group", names(coef(fit)), value = TRUE)
    b <- coef(fit)[terms]
    half <- qt(0.975, m - 1) * se[terms]
    # sandwich's CR2 has no root where a cluster decides a term alone; ours leaves such residuals out.
    if (m >= 40 || all(is.finite(half) | is.na(b))) {
      answer(set, paste0("minutes.", name), exp(c(b, b - half, b + half)))
    }
  }
}

# A share weighted by the inverse probability of being seen.
seen_model <- function(d) {
  model <- glm(seen ~ factor(c1) + factor(c2), binomial, d, control = glm.control(epsilon = 1e-14, maxit = 100))
  if (!model$converged || any(is.na(coef(model))) || any(abs(coef(model)) > 10)) stop("no model")
  model
}
seen_share <- function(d) {
  w <- d$seen / fitted(seen_model(d))
  sum(w * d$event) / sum(w)
}

for (d in sets_of("seen")) {
  set <- d$set[1]
  attempt({
    # Its error from the scores of both estimating equations, summed over clusters, with the share's slope in the model's
    # coefficients found by finite differences.
    model <- seen_model(d)
    x <- model.matrix(model)
    y <- ifelse(d$seen == 1, d$event, 0)
    weights <- function(b) d$seen * (1 + exp(-x %*% b))[, 1]
    b0 <- coef(model)
    w <- weights(b0)
    share <- sum(w * y) / sum(w)
    slope <- sapply(seq_along(b0), function(j) {
      up <- replace(b0, j, b0[j] + 1e-5)
      down <- replace(b0, j, b0[j] - 1e-5)
      (sum(weights(up) * (y - share)) - sum(weights(down) * (y - share))) / 2e-5
    })
    n <- nrow(d)
    moves <- ((w * (y - share) + estfun(model) %*% (bread(model) / n) %*% slope) / sum(w))[, 1]
    m <- length(unique(d$cluster))
    # The largest of the errors by clusters, of independent units and, of few clusters, by leaving out each in turn.
    variance <- max(m / (m - 1) * sum(tapply(moves, d$cluster, sum)^2), n / (n - 1) * sum(moves^2))
    variance <- variance / (share * (1 - share))^2
    critical <- qnorm(0.975)
    if (m < min(40, n)) {
      each <- qlogis(sapply(unique(d$cluster), function(out) seen_share(d[d$cluster != out, ])))
      each <- each[is.finite(each)]
      variance <- max(variance, (m - 1) / m * sum((each - mean(each))^2))
      critical <- qt(0.975, m - 1)
    }
    if (share > 0 && share < 1) {
      answer(set, "seen.share", c(share, plogis(qlogis(share) + c(-1, 1) * critical * sqrt(variance))))
    }
  })
}
done()

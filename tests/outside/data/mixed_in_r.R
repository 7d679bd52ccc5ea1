# Fits every mixed model of the outside checks with R, its search driven to the end; the answers
# are kept in mixed_in_r.csv:    Rscript mixed_in_r.R > mixed_in_r.csv
# lme4's own default search stops earlier: up to 3e-7 above the lowest criterion in these fits.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
table_of <- function(name, ...) {
  d <- read.csv(paste0(name, ".csv"))
  for (column in c(...)) d[[column]] <- factor(d[[column]])
  d
}
tight <- lmerControl("bobyqa", optCtrl = list(rhobeg = 0.02, rhoend = 1e-10, maxfun = 1e6),
                     calc.derivs = FALSE, check.conv.singular = "ignore")
say <- function(...) cat(paste0(paste(..., sep = ","), "\n"))
number <- function(x) sprintf("%.12g", x)

tell <- function(name, response, formula, d, factor) {
  d$y <- d[[response]]
  d <- d[!is.na(d$y), ]
  m <- lmerTest::lmer(as.formula(paste("y ~", formula)), d, control = tight)
  say(name, response, "criterion", "", number(REMLcrit(m)))
  spread <- as.data.frame(VarCorr(m))
  for (k in seq_len(nrow(spread))) say(name, response, "variance", spread$grp[k],
                                       number(spread$vcov[k]))
  for (method in c("Satterthwaite", "Kenward-Roger")) {
    a <- anova(m, type = 3, ddf = method)
    for (k in rownames(a)) {
      say(name, response, paste("f", method), k, number(a[k, "F value"]))
      say(name, response, paste("df_error", method), k, number(a[k, "DenDF"]))
    }
  }
  terms <- delete.response(terms(m))
  grid <- expand.grid(lapply(all.vars(terms), function(v)
    if (is.factor(d[[v]])) levels(d[[v]]) else 0))
  names(grid) <- all.vars(terms)
  x <- model.matrix(terms, grid)
  if (!is.factor(d[[factor]])) return(invisible())
  wide <- list(plain = as.matrix(vcov(m)), "Kenward-Roger" = as.matrix(vcovAdj(m)))
  for (one in levels(d[[factor]])) {
    row <- colMeans(x[grid[[factor]] == one, , drop = FALSE])
    say(name, response, "mean", one, number(sum(row * fixef(m))))
    for (kind in names(wide))
      say(name, response, paste("se", kind), one, number(sqrt(sum(row * (wide[[kind]] %*% row)))))
  }
}

say("model", "response", "what", "of", "value")
d <- table_of("machines", "Worker", "Machine")
tell("machines", "score", "Machine + (1|Worker) + (1|Worker:Machine)", d, "Machine")
tell("stools", "effort", "Type + (1|Subject)", table_of("stools", "Subject", "Type"), "Type")
d <- table_of("apple_taste", "product", "panelist")
tell("apples", "aftertaste", "product + (1|panelist)", d, "product")
d <- table_of("corrosion", "heat", "temp", "coating")
tell("corrosion", "y", "temp * coating + (1|heat)", d, "temp")
d <- table_of("paper_strength", "rep", "method", "temp")
tell("paper", "y", "method * temp + (1|rep) + (1|rep:method)", d, "method")
d <- table_of("oats", "Block", "Variety")
d$rate <- as.numeric(d$nitro) - mean(as.numeric(d$nitro))
d$nitro <- factor(d$nitro)
tell("oats", "yield", "Variety * nitro + (1|Block) + (1|Block:Variety)", d, "Variety")
tell("oats by rate", "yield", "rate + (1|Block) + (1|Block:Variety)", d, "rate")
d <- table_of("wine", "judge", "temp", "contact")
tell("wine", "response", "temp * contact + (1|judge)", d, "temp")
tell("wine bottles", "response",
     "temp * contact + (1|judge) + (1|judge:temp:contact)", d, "temp")
d <- table_of("chocolate_cakes", "recipe", "replicate")
d$degree <- d$temperature - mean(d$temperature)
d$step <- factor(d$temperature)
both <- "(1|replicate) + (1|recipe:replicate)"
tell("cakes alone", "angle", "recipe * step + (1|recipe:replicate)", d, "recipe")
tell("cakes", "angle", paste("recipe * step +", both), d, "recipe")
tell("cakes by degree", "angle", paste("recipe * degree +", both), d, "recipe")
tell("cakes by one slope", "angle", paste("recipe + degree +", both), d, "recipe")
tell("cakes alone by one slope", "angle", "recipe + degree + (1|recipe:replicate)", d, "recipe")
d <- table_of("french_fries", "subject", "treatment", "time")
inside <- "(1|subject) + (1|subject:treatment)"
for (y in c("potato", "buttery", "grassy", "rancid", "painty")) {
  tell("fries", y, paste("treatment +", inside), d, "treatment")
  tell("fries by week", y, paste("treatment * time +", inside,
       "+ (1|subject:time) + (1|subject:treatment:time)"), d, "treatment")
}
